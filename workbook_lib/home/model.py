"""The site file as a whole: what is known of one home.

`Site` has one attribute a table of the file, under the table's name. Equipment is in
`model_equipment.py`; how each leaf is read in `fields.py`.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, Field

from workbook_lib.editions import YEARS
from workbook_lib.errors import MissingInput
from workbook_lib.home.fields import Choice, Count, Day, Factor, FilePath, Fraction, Id, Number, Reference, Text, Texts, Word, YesNo, Zone
from workbook_lib.home.leaf import AllRows, Given, Limit, Record
from workbook_lib.home.model_equipment import (
    BUS_A,
    DEVICE_A,
    FAULT_A,
    SHARE,
    Conductor,
    Control,
    DataSheet,
    Disconnect,
    Evidence,
    Evse,
    Feeder,
    ListedTo,
    Load,
    Model,
    Panel,
    Raceway,
    Source,
    Status,
    Storage,
    Transfer,
    Vehicle,
)
from workbook_lib.home.moment import Moment
from workbook_lib.home.raw import Raw
from workbook_lib.sheet import Input

EDITIONS = YEARS
SYSTEM = "120/240 V 1-phase 3-wire"
SYSTEM_VOLTS = 240.0
METHODS = ("optional-dwelling", "existing-dwelling", "standard", "measured")
OPTIONS = ("M0", "M1", "M1a", "M2", "M3", "M4", "M5", "M6", "M7", "M8")
NOT_120_208 = "only 120/240 V single-phase services are covered"
OTHER_SYSTEM = re.compile(r"208|277|347|480|three|(?<![0-9])3[ -]?(?:phase|ph|ø)", re.IGNORECASE)
CT_FORMS = ("current-transformer", "CT", "ct", "CT-rated", "ct-rated", "transformer-rated")
AREA_FT2 = Limit(above=0, at_most=50000, why="a one-family dwelling")
GARAGE_FT2 = Limit(at_least=0, at_most=20000, why="a one-family dwelling")
CIRCUITS = Limit(at_least=0, at_most=40, why="circuits of one dwelling")


class SiteTable(Record):
    """Who, where, and under which rules."""

    id: Annotated[str, Id()]
    address: Annotated[str | None, Text("address")] = None
    jurisdiction: Annotated[str | None, Id("jurisdiction")] = None
    utility: Annotated[str | None, Id("utility")] = None
    edition: Annotated[Given, Choice("code edition", EDITIONS)] = None
    permit_date: Annotated[object, Day("permit date")] = None
    calculation_date: Annotated[object, Day("date of calculation")] = None
    latitude: Annotated[Given, Number("latitude, north positive", "angle", Limit(at_least=-90, at_most=90))] = None
    longitude: Annotated[Given, Number("longitude, east positive", "angle", Limit(at_least=-180, at_most=180))] = None
    time_zone: Annotated[str | None, Zone("time zone")] = None
    state: Annotated[str | None, Text("state, by its two letters", pattern="[A-Z]{2}", words='two capital letters, as "NM"')] = None
    residential_code: Annotated[str | None, Text("edition of the residential code", pattern="20[0-9]{2}", words='a year, as "2021"')] = None
    revision: Annotated[str | None, Text("revision", blank=True)] = None
    originator: Annotated[str | None, Text("originator", blank=True)] = None
    checker: Annotated[str | None, Text("checker", blank=True)] = None


class Study(Record):
    """Choices of the engineer, not facts."""

    service_load_method: Annotated[Given, Choice("service load method relied on", METHODS)] = None
    need_by: Annotated[object, Day("needed by")] = None
    growth: Annotated[Given, Number("wished spare at 240 V", "current", Limit(at_least=0, at_most=400))] = None
    voltage_drop_limit: Annotated[Given, Fraction("voltage drop limit", limit=Limit(above=0, at_most=0.2))] = None
    voltage_rise_limit: Annotated[Given, Fraction("voltage rise limit", limit=Limit(above=0, at_most=0.2))] = None
    costs: Annotated[str | None, FilePath("cost ranges")] = None


class Dwelling(Record):
    """The house itself."""

    floor_area: Annotated[Given, Number("floor area, outside dimensions", "area", AREA_FT2)] = None
    attached_garage_area: Annotated[Given, Number("attached garage, apart from the floor area", "area", GARAGE_FT2)] = None
    detached_garage_area: Annotated[Given, Number("detached garage, apart from the floor area", "area", GARAGE_FT2)] = None
    added_floor_area: Annotated[Given, Number("floor area that this work adds, part of the floor area", "area", GARAGE_FT2)] = None
    status: Annotated[str | None, Word("status of the dwelling", ("new", "existing"))] = None
    small_appliance_circuits: Annotated[Given, Count("small-appliance circuits", CIRCUITS)] = None
    laundry_circuits: Annotated[Given, Count("laundry circuits", CIRCUITS)] = None
    always_on_power: Annotated[Given, Number("what always runs", "real power", Limit(at_least=0, at_most=20000))] = None


class Transformer(Record):
    """The utility's transformer and the conductors from it to the service point."""

    rating: Annotated[Given, Number("transformer rating", "apparent power", Limit(above=0, at_most=1000000))] = None
    impedance: Annotated[Given, Fraction("transformer impedance", limit=Limit(above=0, at_most=0.2))] = None
    resistance: Annotated[Given, Fraction("transformer resistance", limit=Limit(above=0, at_most=0.2))] = None
    reactance: Annotated[Given, Fraction("transformer reactance", limit=Limit(above=0, at_most=0.2))] = None
    primary_voltage: Annotated[Given, Number("voltage of the primary", "voltage", Limit(at_least=1000, at_most=40000))] = None
    primary_fault: Annotated[Given, Number("fault current of the primary", "fault current", FAULT_A, words=("infinite",))] = None
    conductor: Conductor | None = None


class System(Choice):
    """The system of the service; other systems of the grid are told apart from slips of the pen."""

    def parse(self, raw: Raw) -> tuple[str, None]:
        if isinstance(raw.value, str) and OTHER_SYSTEM.search(raw.value):
            raise self.refuse(raw, NOT_120_208, "this home is outside the limits of use")
        return super().parse(raw)


class MeterSocket(Record):
    """The socket that the meter plugs into."""

    form: Annotated[
        Given,
        Choice("form of metering", ("self-contained",), dict.fromkeys(CT_FORMS, "current-transformer metering is not covered")),
    ] = None
    continuous: Annotated[Given, Number("continuous rating of the socket", "current", DEVICE_A)] = None
    maximum_use: Annotated[Given, Number("maximum-use rating of the socket", "current", DEVICE_A)] = None
    short_circuit_rating: Annotated[Given, Number("short-circuit rating", "fault current", FAULT_A)] = None
    cover: Annotated[Given, Choice("cover", ("ringless", "ring"))] = None
    jaws: Annotated[Given, Count("jaws", Limit(at_least=4, at_most=8))] = None
    bypass: Annotated[Given, Choice("bypass", ("lever", "horn", "none"))] = None
    positions: Annotated[Given, Count("meter positions", Limit(at_least=1, at_most=12))] = None


class Service(Record):
    """The service of the dwelling."""

    system: Annotated[
        Given,
        System("system", (SYSTEM,)),
    ] = None
    rating: Annotated[Given, Number("service rating", "current", DEVICE_A)] = None
    hundred_percent_rated: Annotated[Given, YesNo("assembly and device listed for 100 % of rating")] = None
    utility_limit: Annotated[Given, Number("utility's limit for this service", "current", DEVICE_A)] = None
    entry: Annotated[Given, Choice("entry", ("overhead", "underground"))] = None
    conductor: Conductor | None = None
    transformer: Transformer | None = None
    available_fault_current: Annotated[Given, Number("available fault current", "fault current", FAULT_A)] = None
    fault_current_at: Annotated[Given, Choice("place of the fault current", ("transformer", "service-point", "meter"))] = None
    meter_socket: MeterSocket | None = None
    electrodes: Annotated[tuple[str, ...], Texts("electrodes", ("rod", "plate", "water-pipe", "concrete-encased", "ring"))] = ()

    @property
    def line_voltage(self) -> Input:
        """Nominal voltage between the legs [V]. Errors: `MissingInput` where the system is not given."""
        if self.system is None:
            raise MissingInput(["service.system"])
        return Input("service.system", "service: line voltage", SYSTEM_VOLTS, "V", self.system.origin, self.system.note, self.system.text)


class Adapter(Record):
    """A device between the meter and its socket."""

    status: Status
    model: Model = None
    data_sheet: DataSheet = None
    listed_to: ListedTo = ()
    continuous: Annotated[Given, Number("continuous rating of the adapter", "current", DEVICE_A)] = None
    short_circuit_rating: Annotated[Given, Number("short-circuit rating", "fault current", FAULT_A)] = None
    overcurrent: Annotated[Given, Number("its device for the brought-out connection", "current", DEVICE_A, words=("none",))] = None
    meter_side: Annotated[Given, Choice("side of the meter", ("line", "load"))] = None
    service_disconnect: Annotated[Given, Choice("service disconnect", ("after", "within"))] = None
    islanding_switch: Annotated[Given, YesNo("has an islanding switch")] = None
    clear_of_sealed_part: Annotated[Given, YesNo("leaves the sealed part clear")] = None


class Tier(Record):
    """Charge at which a tier of loads is shed and restored."""

    tier: Annotated[Given, Count("tier", Limit(at_least=1, at_most=9))]
    shed: Annotated[Given, Fraction("shed at this charge, of usable")] = None
    restore: Annotated[Given, Fraction("restored at this charge, of usable")] = None


class Backup(Record):
    """What an outage must be lived through with."""

    islanding: Annotated[str | None, Reference("islanding device")] = None
    target: Annotated[
        Given, Number("target duration", "time", Limit(above=0, at_most=7 * 86400, why="starts are followed for seven days"))
    ] = None
    target_share: Annotated[Given, Fraction("share of outage starts that reach it", limit=SHARE)] = None
    start_charge_fraction: Annotated[Given, Fraction("charge as the outage begins, of usable")] = None
    load_growth_fraction: Annotated[Given, Fraction("growth of the load", limit=Limit(at_least=-0.5, at_most=5))] = None
    start_together: Annotated[tuple[str, ...], Texts("motors that start together")] = ()
    tier: Annotated[tuple[Tier, ...], AllRows] = ()


LOCAL_TIME = r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]"
LOCAL_WORDS = "a local date and time, as 2026-01-01T00:00"


class Mark(Record):
    """A range of a record in which the house was empty, or the power or the meter out."""

    begins: Annotated[str, Moment("first moment of the marked range")]
    ends: Annotated[str, Moment("end of the marked range")]
    is_: Annotated[str, Word("what the range is", ("vacant", "outage"))] = Field(alias="is")
    reason: Annotated[str, Text("how it is known")]


class IntervalFile(Record):
    """A file of metered intervals and how to read it."""

    file: Annotated[str, FilePath("interval data")]
    register_: Annotated[Given, Choice("register", ("delivered", "received", "net", "gross", "total"))] = Field(
        default=None, alias="register"
    )
    channel: Annotated[str | None, Text("channel of a feed")] = None
    power_factor: Annotated[Given, Fraction("power factor", limit=SHARE)] = None
    time_column: Annotated[str | None, Text("column of times")] = None
    value_column: Annotated[str | None, Text("column of values")] = None
    received_column: Annotated[str | None, Text("column of what the home gave back")] = None
    leg_columns: Annotated[tuple[str, ...], Texts("columns of the legs")] = ()
    unit: Annotated[Given, Choice("unit of the values", ("Wh", "kWh", "W", "kW", "VA", "kVA", "A"))] = None
    interval: Annotated[Given, Number("interval", "time", Limit(above=0, at_most=86400, why="a day"))] = None
    stamp: Annotated[Given, Choice("time stamp stands at", ("start", "end"))] = None
    clock: Annotated[str | None, Zone("clock of the record")] = None
    multiplier: Annotated[Given, Factor("meter multiplier", limit=Limit(above=0, at_most=100000))] = None
    date_order: Annotated[Given, Choice("order of day and month", ("mdy", "dmy", "ymd"))] = None
    decimal: Annotated[Given, Choice("decimal sign", ("point", "comma"))] = None
    encoding: Annotated[str | None, Text("encoding of the text")] = None
    first_start: Annotated[str | None, Text("first interval of a file without dates", pattern=LOCAL_TIME, words=LOCAL_WORDS)] = None
    begins: Annotated[str | None, Moment("first moment of the period that is used")] = None
    ends: Annotated[str | None, Moment("end of the period that is used")] = None
    mark: Annotated[tuple[Mark, ...], AllRows] = ()


class Weather(Record):
    """A year of weather."""

    file: Annotated[str, FilePath("weather data")]
    format: Annotated[Given, Choice("format of the weather file", ("tmy3", "epw", "csv"))] = None
    stamp: Annotated[Given, Choice("time stamp stands at", ("start", "end"))] = None
    clock: Annotated[str | None, Zone("clock of the weather file")] = None
    typical: Annotated[Given, YesNo("a typical year, not a measured one")] = None


class Records(Record):
    """Metered records of the home, or a utility's letter in their place."""

    load: IntervalFile | None = None
    fast_load: IntervalFile | None = None
    backup_load: IntervalFile | None = None
    production: IntervalFile | None = None
    rebuild_gross: Annotated[Given, YesNo("own use rebuilt from net and production")] = None
    heavier_leg_fraction: Annotated[Given, Fraction("part of the demand on the heavier leg", limit=Limit(at_least=0.5, at_most=1))] = None
    withhold: Annotated[Given, YesNo("record files and daily pattern kept out of the package")] = None
    generation: Annotated[Given, Choice("generation, storage or peak shaving while recorded", ("none", "unrecorded", "recorded"))] = None
    occupied: Annotated[Given, YesNo("occupied while recorded")] = None
    seasonal_missing: Annotated[tuple[str, ...] | None, Texts("loads that did not run in the record")] = None
    weather: Weather | None = None
    maximum_demand: Annotated[Given, Number("maximum demand", "demand", Limit(at_least=0, at_most=200))] = None
    power_factor: Annotated[Given, Fraction("power factor of the demand", limit=SHARE)] = None
    demand_interval: Annotated[Given, Number("interval of the demand", "time", Limit(above=0, at_most=86400, why="a day"))] = None
    demand_days: Annotated[Given, Count("days that the demand covers", Limit(at_least=1, at_most=3660))] = None


class Option(Record):
    """What an option of the comparison needs beside the work drawn."""

    main: Annotated[Given, Number("main breaker in this option", "current", DEVICE_A)] = None
    bus: Annotated[Given, Number("busbar rating in this option", "current", BUS_A)] = None
    rating: Annotated[Given, Number("service rating in this option", "current", DEVICE_A)] = None
    panel: Annotated[str | None, Reference("panel concerned")] = None
    listed_for_panel: Annotated[Given, YesNo("device listed for the panel")] = None


class Site(Record):
    """One home, as its file says."""

    format: Annotated[Given, Count("format of the file", Limit(at_least=1, at_most=1, why="the only format there is"))]
    site: SiteTable
    study: Study = Study()
    dwelling: Dwelling = Dwelling()
    service: Service = Service()
    load: Annotated[tuple[Load, ...], AllRows] = ()
    evse: Annotated[tuple[Evse, ...], AllRows] = ()
    vehicle: Annotated[tuple[Vehicle, ...], AllRows] = ()
    raceway: Annotated[tuple[Raceway, ...], AllRows] = ()
    disconnect: Annotated[tuple[Disconnect, ...], AllRows] = ()
    evidence: Annotated[tuple[Evidence, ...], AllRows] = ()
    panel: Annotated[tuple[Panel, ...], AllRows] = ()
    feeder: Annotated[tuple[Feeder, ...], AllRows] = ()
    source: Annotated[tuple[Source, ...], AllRows] = ()
    storage: Annotated[tuple[Storage, ...], AllRows] = ()
    control: Annotated[tuple[Control, ...], AllRows] = ()
    transfer: Annotated[tuple[Transfer, ...], AllRows] = ()
    adapter: Adapter | None = None
    backup: Backup | None = None
    records: Records | None = None
    option: Annotated[Mapping[str, Option], AfterValidator(MappingProxyType)] = Field(default_factory=lambda: MappingProxyType({}))
