"""Provisions of the backfeed and tap workbook that move from one edition to the next."""

from __future__ import annotations

KEYS = (
    *("source_frac", "bus_120_frac", "bus_centre_fed", "bus_feed_through", "bus_engineered", "three_connection_box"),
    *("feeder_tap_source", "feeder_tap_short_source", "supply_capacity_quantity", "supply_capacity_limit", "supply_minimum_cu"),
    *("supply_minimum_al", "supply_length", "supply_length_ft", "supply_disconnect", "supply_grounding", "source_control", "pv_rounding"),
    *("service_disconnect_enclosures", "equipment_ground_upsize", "cite:bus_sum", "cite:bus_breakers", "cite:feeder_source"),
    *("cite:ampacity", "cite:dwelling_83", "cite:source_circuit"),
)
"""Provisions of this workbook, as the sentences on what moved name them."""
