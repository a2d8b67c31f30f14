"""Every word that a site file may hold is taken: kinds, roles, statuses, ways, and what stands in place of a quantity."""

from __future__ import annotations

import pytest

from tests.test_home_support import EXAMPLE, edited, only_fault, written
from workbook_lib.home import read_home
from workbook_lib.home.fields import Choice, Number, Texts
from workbook_lib.home.model import Site
from workbook_lib.home.shapes import shapes

HEAD = 'format = 1\n[site]\nid = "a"\nedition = "2023"\n'
PANEL = '[[panel]]\nid = "main"\nkind = "panelboard"\nconnected_to = "service"\n'
BREAKER = '[[panel.breakers]]\nid = "b"\nrating = "30 A"\n'
SOURCE = '[[source]]\nid = "x"\nconnected_to = "b"\n'
CONTROL = '[[control]]\nid = "c"\n'

WORDS = {
    ('[[load]]\nid = "x"\nconnected_to = "main"\n', "kind"): (
        *("range", "cooktop", "oven", "dryer", "water-heater", "dishwasher", "disposer", "microwave", "well-pump", "pool-pump", "spa"),
        *("motor", "fastened", "air-conditioner", "room-air-conditioner", "heat-pump", "supplemental-heat", "electric-heat"),
        *("thermal-storage", "hvac-fan", "plug", "calculated"),
    ),
    ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "main"\n', "status"): ("existing", "added", "removed"),
    ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "main"\nvoltage = "120 V"\n', "leg"): ("A", "B"),
    ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "main"\n', "runs_in"): ("heating", "cooling", "both"),
    ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "main"\n', "locked_rotor_code"): tuple("ABCDEFGHJKLMNPRSTUV"),
    ('[[evse]]\nid = "x"\nconnected_to = "main"\n', "setting_access"): ("restricted", "user"),
    ('[[raceway]]\nid = "x"\n', "kind"): ("EMT", "PVC-40", "PVC-80", "RMC", "FMC", "cable"),
    ('[[disconnect]]\nid = "x"\nconnected_to = "service"\n', "role"): (
        *("service", "emergency", "source", "utility", "storage", "storage-shutdown"),
    ),
    ('[[disconnect]]\nid = "x"\nrole = "source"\nconnected_to = "supply-side"\n', "tap_in"): (
        *("service-equipment", "gutter", "junction-box", "meter-enclosure"),
    ),
    ('[[evidence]]\nfor = "service"\n', "shows"): (
        *("utility-approval", "utility-consent", "condition", "access-restricted", "limiters", "spacing-test", "commissioned"),
        "authority-decision",
    ),
    ("", "edition"): ("2017", "2020", "2023", "2026"),
    ("[study]\n", "service_load_method"): ("optional-dwelling", "existing-dwelling", "standard", "measured"),
    ("[dwelling]\n", "status"): ("new", "existing"),
    ("[service]\n", "entry"): ("overhead", "underground"),
    ("[service]\n", "fault_current_at"): ("transformer", "service-point", "meter"),
    ('[[panel]]\nid = "x"\nconnected_to = "service"\n', "kind"): ("panelboard", "meter-main", "combiner", "split-bus"),
    (PANEL, "feed"): ("top", "bottom", "centre"),
    (PANEL, "bus_rule"): ("sum", "120", "centre", "breakers", "feed-through", "engineered"),
    (PANEL, "breakers_listed"): ("all", "some"),
    (PANEL + BREAKER, "position"): ("top", "middle", "bottom"),
    (PANEL + BREAKER, "backfeed"): ("suitable", "line-load-marked", "unknown"),
    (PANEL + BREAKER + SOURCE, "kind"): ("pv-inverter", "storage-inverter", "multimode-inverter"),
    (PANEL + BREAKER + SOURCE + 'kind = "pv-inverter"\n', "neutral"): ("none", "instrumentation", "loaded"),
    (PANEL + BREAKER + SOURCE + 'kind = "multimode-inverter"\n', "charges_from"): ("utility", "solar-only"),
    (PANEL + BREAKER + SOURCE + 'kind = "storage-inverter"\n[[storage]]\nid = "s"\ninverter = "x"\n', "location"): (
        *("living-space", "utility-closet", "attached-garage", "exterior-wall", "outdoors", "detached"),
    ),
    (PANEL + BREAKER + SOURCE + 'kind = "storage-inverter"\n[[storage]]\nid = "s"\ninverter = "x"\n', "operation"): (
        *("hold-full", "self-consumption", "time-of-use"),
    ),
    (CONTROL + '[[control.limit]]\nat = "service"\n', "way"): ("import", "export", "bus", "output", "island"),
    (CONTROL, "access"): ("restricted", "user"),
    (CONTROL, "action"): ("modulate", "shed"),
    (CONTROL, "dead_band_on"): ("raise", "both"),
    (CONTROL, "sharing"): ("equal", "priority", "first-come"),
    ('[[evse]]\nid = "x"\nconnected_to = "service"\n', "connection"): ("hard-wired", "receptacle"),
    ("[adapter]\n", "meter_side"): ("line", "load"),
    ("[adapter]\n", "service_disconnect"): ("after", "within"),
    ('[[transfer]]\nid = "x"\nconnected_to = "service"\n', "neutral"): ("solid", "switched"),
    ('[records.load]\nfile = "a.csv"\n', "register"): ("delivered", "received", "net", "gross", "total"),
    ('[records.load]\nfile = "a.csv"\n', "date_order"): ("mdy", "dmy", "ymd"),
    ('[records.load]\nfile = "a.csv"\n', "decimal"): ("point", "comma"),
    ('[records.load]\nfile = "a.csv"\n', "stamp"): ("start", "end"),
    ('[records.load]\nfile = "a.csv"\n[[records.load.mark]]\nbegins = "2026-01-01"\nends = "2026-01-02"\nreason = "x"\n', "is"): (
        *("vacant", "outage"),
    ),
    ("[records]\n", "generation"): ("none", "unrecorded", "recorded"),
}
"""Words of the agreed names, by the table that holds the field, written here apart from the models."""


@pytest.mark.parametrize(
    "table,field,word", [(table, field, word) for (table, field), words in WORDS.items() for word in words], ids=lambda text: text[:40]
)
def test_every_word_of_the_agreed_names_is_taken(tmp_path, table, field, word):
    head = HEAD.replace('edition = "2023"\n', "") if field == "edition" else HEAD
    before = PANEL if '"main"' in table and PANEL not in table else ""
    written_as = f'{head}{before}{table}{field} = "{word}"\n'
    home = read_home(written(tmp_path, written_as))
    assert word in {given.value for given in home.givens.values() if given.key.endswith(f".{field}")}


@pytest.mark.parametrize(
    "table,line,field,value",
    [
        (PANEL, 'main = "none"', "panel.main.main", "none"),
        ('[[raceway]]\nid = "x"\nkind = "EMT"\n', 'above_roof = "none"', "raceway.x.above_roof", "none"),
        ('[[raceway]]\nid = "x"\nkind = "EMT"\n', 'above_roof = "0.5 in"', "raceway.x.above_roof", 0.5 / 12),
        ('[[disconnect]]\nid = "x"\nrole = "utility"\nconnected_to = "service"\n', 'fuse = "none"', "disconnect.x.fuse", "none"),
        ('[[feeder]]\nid = "x"\nconnected_to = "service"\n', 'load_side_device = "100 A"', "feeder.x.load_side_device", 100.0),
        ("[adapter]\n", 'overcurrent = "none"', "adapter.overcurrent", "none"),
        ("[service.transformer]\n", 'primary_fault = "infinite"', "service.transformer.primary_fault", "infinite"),
        (CONTROL, "listed_to = []", "control.c.listed_to", ()),
        ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "service"\n', "count = 3", "load.x.count", 3),
        ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "service"\n', "neutral = true", "load.x.neutral", True),
        ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "service"\n', 'current = ["5 A", "2 A"]', "load.x.current", (5.0, 2.0)),
        (
            '[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "service"\n',
            'soft_start_current = "12 A"',
            "load.x.soft_start_current",
            12.0,
        ),
        ('[[load]]\nid = "x"\nkind = "motor"\nconnected_to = "service"\n', 'one_at_a_time = "g"', "load.x.one_at_a_time", "g"),
        (PANEL + "[panel.serves]\n", 'floor_area = "400 ft^2"', "panel.main.serves.floor_area", 400.0),
        ("[service.conductor]\n", 'size = "250"', "service.conductor.size", "250"),
        ("[service.conductor]\n", 'neutral = "none"', "service.conductor.neutral", "none"),
        ("[service.meter_socket]\n", 'form = "self-contained"', "service.meter_socket.form", "self-contained"),
        ("[dwelling]\n", 'attached_garage_area = "400 ft^2"', "dwelling.attached_garage_area", 400.0),
        ("[records]\n", 'maximum_demand = { value = "12 kW", from = "utility" }', "records.maximum_demand", 12.0),
        *((f"[option.{name}]\n", 'main = "175 A"', f"option.{name}.main", 175.0) for name in ("M0", "M1", "M1a", "M2", "M7", "M8")),
    ],
)
def test_what_may_stand_in_place_of_a_quantity_is_taken(tmp_path, table, line, field, value):
    given = read_home(written(tmp_path, f"{HEAD}{table}{line}\n")).givens[field]
    assert given.value == pytest.approx(value) if isinstance(value, float) else given.value == value


def test_every_origin_is_taken(tmp_path):
    for origin in ("nameplate", "photo", "directory", "measured", "drawing", "data-sheet", "utility", "assumed"):
        home = read_home(written(tmp_path, f'{HEAD}[service]\nrating = {{ value = "200 A", from = "{origin}", note = "seen" }}\n'))
        assert (home.site.service.rating.origin, home.site.service.rating.note) == (origin, "seen")


def every_leaf(model, path=""):
    """Every leaf of a model with its path."""
    for name, shape in shapes(model).items():
        if shape.leaf is not None:
            yield f"{path}{name}", shape.leaf
        else:
            yield from every_leaf(shape.model, f"{path}{name}.")


LEAVES = dict(every_leaf(Site))


def test_no_word_of_the_models_is_left_out_of_the_table_above():
    """What the models take and the agreed names do not list stands here, so that an addition is seen."""
    listed = {(field, word) for (_, field), words in WORDS.items() for word in words}
    taken = {(path.rpartition(".")[2], word) for path, leaf in LEAVES.items() if isinstance(leaf, Choice) for word in leaf.choices}
    apart = {
        "size",
        "insulation",
        "material",
        "place",
        "system",
        "cover",
        "bypass",
        "form",
        "restart",
        "mounting",
        "surplus",
        "dead_start",
        "unit",
        "format",
        "neutral",
        "grounding",
    }
    assert {pair for pair in taken - listed if pair[0] not in apart} == set()


def test_each_leaf_says_in_words_what_it_takes():
    for path, leaf in LEAVES.items():
        assert leaf.label, path
        assert leaf.accepted(), path
        assert leaf.example(), path
        if isinstance(leaf, (Choice, Texts)):
            assert all(isinstance(choice, str) for choice in leaf.choices), path
        if isinstance(leaf, Number):
            assert leaf.dimension, path


@pytest.mark.parametrize("name", ["pv", "main", "limiter", "disposer", "r1", "evse-1", "battery"])
def test_an_id_holds_no_dot(tmp_path, name):
    text = EXAMPLE.read_text(encoding="utf-8").replace(f'"{name}"', f'"{name}.1"').replace(f'kind = "{name}.1"', f'kind = "{name}"')
    path = edited(tmp_path)
    path.write_text(text, encoding="utf-8")
    fault = only_fault(path)
    assert fault.what == "not an id"
    assert fault.todo == f'write it as "{name}-1"'
    assert "no dots" in fault.limit
