"""Backfeed and tap against independent engines, and what must hold for every home.

Fault currents and voltage: OpenDSS on a centre-tapped service (a distribution-circuit solver). Sums over the
distribution: a graph library on random trees. Conductor resistance: from the area of the conductor.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import networkx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from workbook_lib import editions
from workbook_lib.errors import InputFault
from workbook_lib.formula import next_standard
from workbook_lib.home import read_home
from workbook_lib.rules import busbar, crossing, impedance, voltage
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Input, Sheet, Step
from workbook_lib.workbooks import backfeed_and_tap

YEARS = editions.YEARS
EDITION = editions.load("2023")
HEAD = """format = 1
raceway = [{ id = "riser", kind = "RMC", ambient = "30 degC", above_roof = "none", other_current_carrying = 0 }]
[site]
id = "made"
edition = "2023"
originator = "a"
checker = "b"
[service]
system = "120/240 V 1-phase 3-wire"
rating = "200 A"
[service.conductor]
size = "4/0"
material = "Cu"
insulation = "THWN-2"
neutral = "4/0"
length = "30 ft"
terminals = "75 degC"
raceway = "riser"
"""
quick = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def panel(
    name: str, to: str, rating: str, main: str, breakers: str, *, listed: str = "all", bonded: str = "false", feed: str = "top"
) -> str:
    """Text of one panel."""
    return (
        f'[[panel]]\nid = "{name}"\nkind = "panelboard"\nconnected_to = "{to}"\nbus = "{rating}"\nmain = "{main}"\nfeed = "{feed}"\n'
        f'neutral_bonded = {bonded}\nbreakers_listed = "{listed}"\nbreakers = [{breakers}]\n'
    )


def made_source(name: str, to: str, amperes: float, *, kind: str = "pv-inverter", more: str = 'neutral = "none"') -> str:
    """Text of one source."""
    return f'[[source]]\nid = "{name}"\nkind = "{kind}"\nconnected_to = "{to}"\noutput_current = "{amperes!r} A"\n{more}\n'


def device(name: str, rating: int, position: str = "bottom", more: str = "") -> str:
    """Text of one two-pole breaker fit for backfeed."""
    return f'{{ id = "{name}", rating = "{rating} A", poles = 2, position = "{position}", backfeed = "suitable"{more} }}'


STOP = '[[disconnect]]\nid = "stop"\nrole = "storage-shutdown"\nconnected_to = "main"\nplace = "outside"\n'


@pytest.mark.parametrize("rating,unlisted", [("", False), ('rating = "60 A"\n', True)])
def test_a_switch_that_only_starts_a_shutdown_is_no_circuit_of_the_bus(tmp_path, rating, unlisted):
    """Common practice: what starts a shutdown is wired for signals; one with a rating stands in a circuit and has a breaker."""
    text = HEAD + panel("main", "service", "400 A", "200 A", '{ id = "pv-breaker", rating = "30 A", poles = 2, position = "bottom" }')
    text += made_source("pv", "pv-breaker", 24) + STOP + rating
    check = studied(tmp_path, text).check("bus-breakers:main")
    assert ("on the bus without one: stop" in check.note) == unlisted


def test_what_is_taken_of_a_raceway_is_listed_on_the_sheet(tmp_path):
    text = HEAD.replace(', above_roof = "none", other_current_carrying = 0', "")
    text += panel("main", "service", "200 A", "200 A", '{ id = "pv-breaker", rating = "30 A", poles = 2, position = "bottom" }')
    said = [one.text for one in studied(tmp_path, text + made_source("pv", "pv-breaker", 24)).assumptions]
    assert "raceway riser is taken to be not close above a roof" in said
    assert said.count("raceway riser is taken to be shared with no other circuit") == 1
    whole = studied(tmp_path, text.replace('ambient = "30 degC"', 'ambient = "30 degC", above_roof = "none", other_current_carrying = 0'))
    assert not [one for one in whole.assumptions if "raceway" in one.text]


def studied(tmp_path: Path, text: str, year: str = "2023") -> Sheet:
    """Sheet of a home written by a test."""
    (tmp_path / "home.toml").write_text(text, encoding="utf-8")
    return backfeed_and_tap.study(read_home(tmp_path / "home.toml"), editions.load(year))


def verdict(sheet: Sheet, key: str) -> str:
    return str(sheet.check(key).verdict)


def a(name: str, value: float, unit: str | None = "A") -> Input:
    return Input(name, name, value, unit)


# an independent solver


def opendss(kva: float, r: float, x: float, ohms: tuple[float, float, float, float], *, neutral: bool) -> float:
    """Fault current [A] at the end of a drop behind a centre-tapped transformer, by OpenDSS."""
    import opendssdirect as dss

    r_leg, x_leg, r_neutral, x_neutral = ohms
    for line in (
        "clear",
        "new circuit.one basekv=7.2 phases=1 bus1=src.1 pu=1 r1=1e-9 x1=1e-9 r0=1e-9 x0=1e-9",
        f"new transformer.t phases=1 windings=3 buses=[src.1 low.1.0 low.0.2] kvs=[7.2 0.12 0.12] kvas=[{kva} {kva} {kva}] "
        f"%rs=[{50 * r} {100 * r} {100 * r}] xhl={120 * x} xht={120 * x} xlt={80 * x} %noloadloss=0 %imag=0 ppm_antifloat=0",
        f"new reactor.one phases=1 bus1=low.1 bus2=end.1 r={r_leg} x={x_leg}",
        f"new reactor.two phases=1 bus1=low.2 bus2=end.2 r={r_leg} x={x_leg}",
        f"new reactor.n phases=1 bus1=end.3 bus2=end.0 r={r_neutral} x={x_neutral}",
        f"new fault.f phases=1 bus1=end.1 bus2=end.{3 if neutral else 2} r=1e-9",
        "set voltagebases=[7.2 0.24]",
        "solve",
    ):
        dss.Text.Command(line)
    dss.Circuit.SetActiveElement("fault.f")
    return dss.CktElement.CurrentsMagAng()[0]


TRANSFORMERS = [(25, 0.016, 0.0151), (37.5, 0.0145, 0.0165), (50, 0.0130, 0.0177), (75, 0.0125, 0.0169), (100, 0.0120, 0.0219)]


@pytest.mark.parametrize("kva,r,x", TRANSFORMERS)
@pytest.mark.parametrize("size,length", [("4/0", 1.0), ("4/0", 60.0), ("1/0", 120.0), ("2", 200.0)])
def test_both_fault_currents_equal_a_circuit_solver_s(kva, r, x, size, length):
    origin = impedance.transformer_origin(a("kva", 1000.0 * kva, "VA"), None, a("r", r, None), a("x", x, None))
    run = impedance.run(
        "drop", a("size", size, None), a("neutral", "6", None), a("al", "Al", None), None, a("ft", length, "ft"), a("sets", 1.0), EDITION
    )
    cell = {
        name: EDITION.lookup("impedance", one, column).value * length / 1000
        for one in (size, "6")
        for name, column in ((f"r{one}", "al_pvc"), (f"x{one}", "x_pvc"))
    }
    ohms = (cell[f"r{size}"], cell[f"x{size}"], cell["r6"], cell["x6"])
    for neutral in (False, True):
        ours = impedance.fault("end", origin, impedance.way("end", None, run), neutral=neutral).value
        assert ours == pytest.approx(opendss(kva, r, x, ohms, neutral=neutral), rel=1e-3)


@pytest.mark.parametrize("amperes,size,length", [(24.0, "10", 60.0), (40.0, "8", 100.0), (80.0, "4", 150.0)])
def test_voltage_rise_equals_a_circuit_solver_s(amperes, size, length):
    import opendssdirect as dss

    run = impedance.run("run", a("size", size, None), None, a("cu", "Cu", None), "EMT", a("ft", length, "ft"), a("sets", 1.0), EDITION)
    for line in (
        "clear",
        "new circuit.one basekv=0.24 phases=1 bus1=src.1 pu=1 angle=0 r1=1e-9 x1=1e-9 r0=1e-9 x0=1e-9",
        f"new reactor.one phases=1 bus1=src.1 bus2=end.1 r={run.r_ll.value} x={run.x_ll.value}",
        f"new isource.i phases=1 bus1=end.1 amps={amperes} angle=0",
        "solve",
    ):
        dss.Text.Command(line)
    dss.Circuit.SetActiveBus("end")
    theirs = dss.Bus.VMagAngle()[0] / 240.0 - 1.0
    exact, near = voltage.voltage_rise("run", a("i", amperes), run)
    assert exact.value == pytest.approx(theirs, rel=1e-3)
    assert near.value == pytest.approx(exact.value, rel=0.02)


def test_the_two_loops_of_a_centre_tapped_transformer_are_a_textbook_s():
    """Kersting, Distribution System Modeling and Analysis, example 11.1: 50 kVA, R 0.011, X 0.018, constant-impedance loads.

    The self impedance of a loop is our line-to-neutral one, what the loops share follows from our line-to-line one.
    """
    origin = impedance.transformer_origin(a("kva", 50e3, "VA"), None, a("r", 0.011, None), a("x", 0.018, None))
    own = complex(origin.r_ln.value, origin.x_ln.value)
    shared = complex(origin.r_ll.value, origin.x_ll.value) / 2 - own
    one, two, both = 1.4 + 0.5j, 0.9 + 0.4j, 2.0 + 1.2j
    # currents of the loads from the two voltages, the voltages from the currents of the loops
    from_volts = [[1 / one + 1 / both, 1 / both], [1 / both, 1 / two + 1 / both]]
    matrix = [[own, shared], [shared, own]]
    full = [[sum(matrix[i][k] * from_volts[k][j] for k in (0, 1)) + (i == j) for j in (0, 1)] for i in (0, 1)]
    det = full[0][0] * full[1][1] - full[0][1] * full[1][0]
    volts = [120 * (full[1][1] - full[0][1]) / det, 120 * (full[0][0] - full[1][0]) / det]
    amperes = [sum(from_volts[i][j] * volts[j] for j in (0, 1)) for i in (0, 1)]
    printed = {118.0: volts[0], 117.9: volts[1], 235.9: sum(volts)}
    assert all(abs(ours) == pytest.approx(theirs, abs=0.05) for theirs, ours in printed.items())
    printed = {179.6: amperes[0], 220.4: amperes[1], 40.94: amperes[0] - amperes[1]}
    assert all(abs(ours) == pytest.approx(theirs, abs=0.05) for theirs, ours in printed.items())
    power = sum(volt * ampere.conjugate() for volt, ampere in zip(volts, amperes, strict=True))
    assert abs(power) == pytest.approx(47168.7, rel=1e-4)
    assert power.real == pytest.approx(42161.3, rel=1e-4)


def test_a_fault_through_a_resistance_is_a_textbook_s():
    """Hubert, Electric Machines, example 2.8: 75 kVA, 0.9 and 1.3 per cent, 0.016 ohm, 2,300 V of 2,400 V applied: 920 A at 2,400 V."""
    origin = impedance.transformer_origin(a("kva", 75e3, "VA"), None, a("r", 0.009, None), a("x", 0.013, None))
    assert origin.z_ll.value / (240**2 / 75e3) == pytest.approx(0.0158114, abs=1e-7)
    assert (100 * origin.r_ll.value, 100 * origin.x_ll.value) == pytest.approx((0.6912, 0.9984), abs=1e-4)
    ohm = [Step("made", "R", "made", "", {}, value, "ohm") for value in (0.016, 0.0)]
    run = impedance.Run("short", ohm[0], ohm[1], ohm[0], ohm[1])
    current = impedance.fault("short", origin, impedance.way("short", None, run), neutral=False).value
    assert current * 2300 / 2400 / 10 == pytest.approx(920, abs=0.5)


@pytest.mark.parametrize("kva,r,x", TRANSFORMERS)
def test_below_the_crossing_line_to_neutral_governs_and_line_to_line_beyond(kva, r, x):
    origin = impedance.transformer_origin(a("kva", 1000.0 * kva, "VA"), None, a("r", r, None), a("x", x, None))

    def at(length: float):
        run = impedance.run("drop", a("size", "1/0", None), None, a("al", "Al", None), None, a("ft", length, "ft"), a("sets", 1.0), EDITION)
        return run, *(impedance.fault("end", origin, impedance.way("end", None, run), neutral=neutral).value for neutral in (False, True))

    far = crossing.crossing_ft(origin, at(100.0)[0], a("ft", 100.0, "ft")).value
    for part, governs in ((0.98, "ln"), (1.02, "ll")):
        _, ll, ln = at(far * part)
        assert (ln > ll) == (governs == "ln")


@pytest.mark.parametrize("kva", [10.0, 25.0, 37.5, 50.0, 75.0, 100.0, 167.0])
@pytest.mark.parametrize("length", [20.0, 60.0, 150.0])
def test_the_upper_bound_is_never_below_a_published_transformer_of_that_size(kva, length):
    published = {  # PNNL, EPRI circuit 24 and IEEE 8500-node, per cent R and X
        10.0: [(1.9, 1.3), (1.4, 1.575), (1.2, 1.7)],
        25.0: [(1.6, 1.51), (1.266, 1.835), (1.316, 1.745), (1.2, 1.7)],
        37.5: [(1.45, 1.65), (1.0715, 1.93), (1.212, 1.9025)],
        50.0: [(1.3, 1.77), (0.877, 2.025), (1.134, 1.981)],
        75.0: [(1.25, 1.69), (1.11725, 2.6575)],
        100.0: [(1.2, 2.19), (1.3575, 3.29), (0.856, 2.3495)],
        167.0: [(1.15, 2.77), (0.83353, 2.355)],
    }
    run = impedance.run("drop", a("size", "4/0", None), None, a("al", "Al", None), None, a("ft", length, "ft"), a("sets", 1.0), EDITION)
    for r, x in published[kva]:
        apart = impedance.transformer_origin(a("kva", 1000.0 * kva, "VA"), None, a("r", r / 100, None), a("x", x / 100, None))
        whole = impedance.transformer_origin(a("kva", 1000.0 * kva, "VA"), a("z", math.hypot(r, x) / 100, None), None, None)
        plain, most = (
            impedance.fault("end", whole, impedance.way("end", None, run), neutral=False).value,
            impedance.upper("end", whole, impedance.way("end", None, run), neutral=False).value,
        )
        exact = impedance.fault("end", apart, impedance.way("end", None, run), neutral=False).value
        assert plain <= exact * (1 + 1e-9)
        assert most >= exact * (1 - 1e-3)


@pytest.mark.parametrize("material,k", [("cu", 12.9), ("al", 21.2)])
def test_resistance_follows_from_the_area(material, k):
    """K = R x cmil / 1000 at 75 degC, 12.9 ohm for copper and 21.2 for aluminum (re-wrenches list, 2008): within 1.5 % as printed."""
    for row in EDITION.rows("conductor_properties"):
        assert row[f"{material}_ohm_per_kft"] * row["cmil"] / 1000 == pytest.approx(k, rel=0.015), row["size"]


def test_table_9_is_not_below_table_8():
    """Alternating-current resistance is not below that of direct current, but for the rounding of two digits."""
    for row in EDITION.rows("impedance"):
        if row["size"] in EDITION.row_names("conductor_properties"):
            direct = EDITION.lookup("conductor_properties", row["size"], "cu_ohm_per_kft").value
            assert row["cu_pvc"] >= direct * 0.93


# a graph library


def random_home(seed: int) -> tuple[str, networkx.DiGraph, dict[str, float]]:
    """A home with a random tree of panels and sources: its text, the same tree as a graph, output of each source [A]."""
    draw = random.Random(seed)
    graph = networkx.DiGraph()
    panels: dict[str, list[str]] = {"main": []}
    graph.add_edge("main", "service")
    sources_text, rest, outputs = "", "", {}
    for number in range(draw.randint(1, 7)):
        above = draw.choice(list(panels))
        name = f"panel-{number}"
        panels[above].append(
            f'{{ id = "b-{number}", rating = "{draw.choice((60, 100, 125))} A", poles = 2, position = "bottom", backfeed = "suitable" }}'
        )
        panels[name] = []
        graph.add_edge(f"b-{number}", above)
        graph.add_edge(name, f"b-{number}")
        main = draw.choice(('"60 A"', '"100 A"', '"none"'))
        rest += panel(name, f"b-{number}", "125 A", main.strip('"'), f"BREAKERS-{name}-")
        graph.nodes[name]["main"] = main
    for number in range(draw.randint(1, 6)):
        above, amperes = draw.choice(list(panels)), draw.choice((8.0, 16.0, 24.0, 32.0))
        panels[above].append(f'{{ id = "s-{number}", rating = "40 A", poles = 2, position = "bottom", backfeed = "suitable" }}')
        outputs[f"source-{number}"] = amperes
        graph.add_edge(f"s-{number}", above)
        graph.add_edge(f"source-{number}", f"s-{number}")
        sources_text += made_source(f"source-{number}", f"s-{number}", amperes)
    text = HEAD + panel("main", "service", "400 A", "200 A", "BREAKERS-main-", bonded="true") + rest + sources_text
    for name, breakers in panels.items():
        text = text.replace(f"BREAKERS-{name}-", ", ".join(breakers))
    return text, graph, outputs


@pytest.mark.parametrize("seed", range(40))
def test_what_reaches_each_bus_is_what_a_graph_library_adds_up(seed, tmp_path):
    text, graph, outputs = random_home(seed)
    sheet = studied(tmp_path, text)
    for panel in [node for node in graph if node == "main" or node.startswith("panel-")]:
        top = panel
        while graph.nodes[top].get("main") == '"none"':  # no main of its own: up to the breaker that feeds it
            top = next(iter(graph.successors(top)))
        below = {top, *networkx.ancestors(graph, top)}
        total = sum(amperes for name, amperes in outputs.items() if name in below)
        key = f"bus-sum:{panel}"
        known = {check.key: check for check in sheet.checks}
        if total == 0:
            assert verdict(sheet, f"bus:{panel}") == "not applicable"
            continue
        assert known[key].required.uses["source"].value == pytest.approx(1.25 * total), panel


# what must hold for every home


def one_bus(rating: float, main: float, amperes: float, position: str = "bottom", loads: str = "", count: int = 1) -> str:
    rows = ", ".join(device(f"pv-{n}", 60, position) for n in range(count))
    made = "".join(made_source(f"source-{n}", f"pv-{n}", amperes / count) for n in range(count))
    return HEAD + panel("main", "service", f"{rating:g} A", f"{main:g} A", loads + rows, bonded="true") + made


def bus(rating: float, device: float, amperes: float, year: str = "2023", **more) -> dict[str, str]:
    """Verdict of each rule on a bus with one source at its bottom."""
    edition = editions.load(year)
    current = sources.at_125("i", a("amperes", amperes), edition)
    known = {"feed": "top", "ends": {"pv": "bottom"}, "breakers": {"pv": a("pv", 60.0)}} | more
    made = busbar.Bus("main", a("bus", rating), a("device", device), current, kind="panelboard", **known)
    return {name: str(check.verdict) for name, check in busbar.bus_checks(made, edition).items()}


@quick
@given(
    st.sampled_from((100.0, 125.0, 200.0, 225.0, 400.0)),
    st.sampled_from((60.0, 100.0, 150.0, 200.0)),
    st.floats(1, 150),
    st.floats(0, 60),
    st.sampled_from(YEARS),
)
def test_no_rule_gets_easier_when_a_source_grows(rating, device, amperes, more, year):
    small, large = bus(rating, device, amperes, year), bus(rating, device, amperes + more, year)
    assert not [name for name in small if small[name] == "fail" and large[name] == "pass"]


@quick
@given(
    st.sampled_from((100.0, 125.0, 200.0, 225.0, 400.0)),
    st.sampled_from((60.0, 100.0, 125.0, 150.0, 200.0)),
    st.sampled_from(("sum", "120")),
)
def test_the_inverse_answer_passes_and_the_next_standard_size_fails(rating, device, rule):
    current = sources.at_125("i", a("amperes", 1.0), EDITION)
    made = busbar.Bus("main", a("bus", rating), a("device", device), current, "top", "panelboard", {"pv": "bottom"}, breakers={})
    room = busbar.allowance(made, rule, EDITION)
    if room.value <= 0:
        assert bus(rating, device, 0.1)[rule] == "fail"
        return
    largest = busbar.largest_inverter(made, room, rule, EDITION).value
    assert bus(rating, device, largest)[rule] == "pass"
    assert bus(rating, device, largest * 1.001)[rule] == "fail"
    sizes = EDITION.series("standard_ratings", "rating_a").value
    following = next((size for size in sizes if size > room.value * (1 + 1e-9)), None)
    assert following is None or bus(rating, device, following / 1.25)[rule] == "fail"


@quick
@given(st.sampled_from((125.0, 200.0, 225.0)), st.floats(5, 90))
def test_the_largest_main_passes_and_the_next_fails(rating, amperes):
    current = sources.at_125("i", a("amperes", amperes), EDITION)
    made = busbar.Bus("main", a("bus", rating), a("device", rating), current, "top", "panelboard", {"pv": "bottom"}, breakers={})
    largest = busbar.largest_main(made, EDITION)
    if largest is None:
        return
    sizes = EDITION.series("standard_ratings", "rating_a").value
    assert bus(rating, largest.value, amperes)["120"] == "pass"
    assert bus(rating, next_standard(largest.value + 0.1, sizes), amperes)["120"] == "fail"


@pytest.mark.parametrize("amperes", [16.0, 32.0, 33.3, 48.0])
def test_splitting_a_source_in_two_changes_no_sum(tmp_path, amperes):
    whole, parts = (studied(tmp_path, one_bus(200, 200, amperes, count=count)) for count in (1, 2))
    for key in ("bus-sum:main", "bus-120:main"):
        assert whole.check(key).required.value == pytest.approx(parts.check(key).required.value)
        assert whole.check(key).verdict is parts.check(key).verdict


def test_a_panel_moved_below_a_feeder_hides_no_test(tmp_path):
    flat = one_bus(200, 200, 48.0)
    sub = panel("sub", "TO", "100 A", "100 A", device("x", 60)) + made_source("far", "x", 16.0)
    feeder = '[[feeder]]\nid = "f"\nconnected_to = "pv-0"\n'
    text = flat.replace('connected_to = "pv-0"', 'connected_to = "pv-0"', 1)
    text = text[: text.index("[[source]]")]
    near, far = (studied(tmp_path, text + more) for more in (sub.replace("TO", "pv-0"), feeder + sub.replace("TO", "f")))
    kinds = [{check.key for check in one.checks if check.key.startswith("bus")} for one in (near, far)]
    assert kinds[0] == kinds[1]
    assert {key.partition(":")[2] for key in kinds[0]} == {"main", "sub"}
    for key in kinds[0]:
        assert verdict(near, key) == verdict(far, key), key


# ways of drawing


def multimode(main: str) -> str:
    held = device("b", 60, more=", hold_down = HELD")
    hybrid = made_source("hybrid", "b", 24.0, kind="multimode-inverter", more='neutral = "loaded"\npass_through_current = "60 A"')
    return (
        HEAD
        + panel("main", "service", "200 A", "200 A", held, listed="some", bonded="true")
        + hybrid
        + panel("backup", "hybrid", "125 A", main, device("s", 30))
        + made_source("pv", "s", 24.0)
    )


def test_a_multimode_inverter_sends_back_its_own_output_and_every_source_behind_it(tmp_path):
    sheet = studied(tmp_path, multimode("60 A").replace("HELD", "true"))
    assert sheet.check("bus-120:main").required.value == pytest.approx(200 + 1.25 * 48)
    assert verdict(sheet, "bus:main") == "needs input", "260 A of 240 A; the sum of breakers is open"
    assert sheet.check("bus-sum:backup").required.value == pytest.approx(60 + 1.25 * 24)
    assert verdict(sheet, "breaker-suitability:b") == "pass"
    assert verdict(sheet, "breaker-suitability:s") == "pass", "interactive only"
    assert verdict(sheet, "pass-through:hybrid") == "pass"
    assert verdict(studied(tmp_path, multimode("60 A").replace("HELD", "false")), "breaker-suitability:b") == "fail"
    lug = studied(tmp_path, multimode("none").replace("HELD", "true"))
    assert lug.check("bus-sum:backup").required.value == pytest.approx(60 + 1.25 * 48), "its breaker, its own output, and what is behind"


CONTROL = """[[control]]
id = "limiter"
listed_to = [LISTED]
controls = [HELD]
access = "ACCESS"
limit = [{ at = "AT", way = "WAY", setting = "SET A" }]
"""


def controlled(
    at: str, way: str, setting: float, *, listed: str = '"UL 3141"', held: str = '"source-0", "source-1"', access: str = "restricted"
) -> str:
    text = one_bus(200, 200, 64.0, count=2, loads='{ id = "load", rating = "50 A", poles = 2, position = "middle" }, ')
    text = text.replace('feed = "top"', 'feed = "top"\nbus_rule = "120"')
    rows = (("LISTED", listed), ("HELD", held), ("ACCESS", access), ("AT", at), ("WAY", way), ("SET", f"{setting:g}"))
    made = CONTROL
    for word, value in rows:
        made = made.replace(word, value, 1)
    return text + made


@pytest.mark.parametrize(
    "changes,year,expected",
    [
        ({}, "2023", "pass"),
        ({}, "2020", "pass"),
        ({}, "2026", "pass"),
        ({}, "2017", "fail"),
        ({"listed": ""}, "2023", "fail"),
        ({"listed": '"UL 1741"'}, "2023", "pass"),
        ({"listed": '"UL 1741"'}, "2026", "fail"),
        ({"access": "user"}, "2023", "fail"),
        ({"held": '"source-0"'}, "2023", "fail"),
    ],
)
def test_a_control_stands_for_current_only_where_it_may(tmp_path, changes, year, expected):
    sheet = studied(tmp_path, controlled("main", "bus", 200.0, **changes), year)
    assert verdict(sheet, "bus:main") == expected
    assert sheet.check("bus-120:main").required.value == pytest.approx(200 + 1.25 * 64), "the rule itself is untouched"


def test_an_output_limit_lowers_its_own_source_alone(tmp_path):
    sheet = studied(tmp_path, controlled("source-0", "output", 10.0, held='"source-0"'))
    assert sheet.check("bus-120:main").required.value == pytest.approx(200 + 1.25 * (10 + 32))
    assert verdict(sheet, "control-limit:limiter:source-0:output") == "pass"
    over = studied(tmp_path, controlled("source-0", "output", 40.0, held='"source-0"'))
    assert verdict(over, "control-limit:limiter:source-0:output") == "fail"


def test_an_export_limit_at_a_breaker_counts_what_it_does_not_hold_in_full(tmp_path):
    text = (
        HEAD
        + panel("main", "service", "200 A", "200 A", device("b", 100), listed="some", bonded="true")
        + panel("sub", "b", "125 A", "none", ", ".join(device(f"s{n}", 40) for n in (0, 1)))
        + "".join(made_source(f"source-{n}", f"s{n}", 30.0) for n in (0, 1))
    )
    made = (
        CONTROL.replace("LISTED", '"UL 3141"')
        .replace("ACCESS", "restricted")
        .replace("AT", "b", 1)
        .replace("WAY", "export")
        .replace("SET", "20")
    )
    held = studied(tmp_path, text + made.replace("HELD", '"source-0", "source-1"'))
    assert held.check("bus-sum:main").required.value == pytest.approx(200 + 1.25 * 20)
    assert held.check("bus-sum:sub").required.value == pytest.approx(100 + 1.25 * 60), "below the sensor nothing is held"
    partly = studied(tmp_path, text + made.replace("HELD", '"source-0"'))
    assert partly.check("bus-sum:main").required.value == pytest.approx(200 + 1.25 * 30), "the other one counts in full"
    blind = studied(
        tmp_path, text.replace('connected_to = "s1"', 'connected_to = "supply-side"') + made.replace("HELD", '"source-0", "source-1"')
    )
    assert verdict(blind, "control-sees:limiter") == "fail"


FAULTS = {
    "a size that the material lacks": ('size = "4/0"\nmaterial = "Cu"', 'size = "14"\nmaterial = "Al"', "service.conductor.size"),
    "an ambient beyond the table": ('ambient = "30 degC"', 'ambient = "80 degC"', "raceway.riser.ambient"),
    "a length of zero": ('length = "30 ft"', 'length = "0 ft"', "service.conductor.length"),
    "an output that power does not give": (
        'output_current = "24.0 A"',
        'output_current = "24.0 A"\noutput_power = "9.6 kW"',
        "source.source-0.output_power",
    ),
    "a position outside the panel": ('position = "bottom"', 'position = "left"', "position"),
    "a loop": ('connected_to = "service"', 'connected_to = "pv-0"', "connected_to"),
    "a source that reaches no service": ('connected_to = "pv-0"', 'connected_to = "nowhere"', "connected_to"),
    "two mains": ('main = "200 A"', 'main = ["200 A", "100 A"]', "panel.main.main"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_bad_input_gets_a_clear_fault(tmp_path, name):
    old, new, field = FAULTS[name]
    text = one_bus(200, 200, 24.0)
    assert old in text
    if "ambient" in name:
        text = text.replace('"THWN-2"', '"THW"')
    with pytest.raises(InputFault) as caught:
        studied(tmp_path, text.replace(old, new, 1))
    told = str(caught.value)
    assert field in told
    assert "home.toml" in told
    assert "do: " in told


def test_a_raceway_too_small_for_any_listed_size_is_a_fault(tmp_path):
    text = one_bus(200, 200, 24.0).replace('kind = "RMC"', 'kind = "FMC"')
    wire = HEAD[HEAD.index("[service.conductor]") :].replace("[service.conductor]", "[source.conductor]").replace("4/0", "500")
    more = "".join(made_source(f"more-{n}", "pv-0", 1.0) + wire + 'grounding = "4"\n' for n in range(3))
    with pytest.raises(InputFault, match="fit no listed size"):
        studied(tmp_path, text + more)


def test_a_missing_length_leaves_voltage_and_fault_open_and_the_rest_runs(tmp_path):
    text = one_bus(200, 200, 24.0).replace('length = "30 ft"\n', "")
    sheet = studied(tmp_path, text)
    assert verdict(sheet, "bus:main") == "pass"
    assert any(line.startswith("voltage_change_frac:service") for line in sheet.not_checked)
    assert not [key for key in sheet.results if key.startswith("fault_ll_a:")]


def test_without_an_impedance_there_is_no_fault_current_and_no_default(tmp_path):
    text = one_bus(200, 200, 24.0).replace("[service]\n", '[service]\ntransformer = { rating = "50 kVA", primary_fault = "infinite" }\n')
    sheet = studied(tmp_path, text.replace('feed = "top"', 'feed = "top"\ninterrupting_rating = "10 kA"'))
    check = sheet.check("interrupting:main")
    assert (str(check.verdict), check.fields) == ("needs input", ("service.transformer.impedance",))


def test_the_utility_s_figure_wins_and_the_computed_one_is_printed(tmp_path):
    wire = 'conductor = { size = "4/0", material = "Al", neutral = "4/0", length = "50 ft" }'
    fault = (
        'available_fault_current = { value = "8 kA", from = "utility" }\nfault_current_at = "service-point"\n'
        f'transformer = {{ rating = "50 kVA", impedance = "1.5 %", primary_fault = "infinite", {wire} }}\n'
    )
    text = (
        one_bus(200, 200, 24.0)
        .replace("[service]\n", f"[service]\n{fault}")
        .replace('feed = "top"', 'feed = "top"\ninterrupting_rating = "10 kA"')
    )
    sheet = studied(tmp_path, text)
    assert sheet.results["fault_ll_a:service-point"].value == 8000
    assert any("8,000 A" in words and "8,54" in words for words in sheet.cautions)
    own = studied(tmp_path, text.replace('from = "utility"', 'from = "photo"'))
    assert own.results["fault_ll_a:service-point"].value == pytest.approx(8545, abs=1)


def test_every_step_of_printed_connections_is_its_formula():
    from tests.test_proof import prove
    from workbook_lib.published import cases, tie

    kept: list[Sheet] = []
    own = backfeed_and_tap.study
    backfeed_and_tap.study = lambda home, edition: kept.append(own(home, edition)) or kept[-1]
    try:
        for case in cases():
            if case.rule == "tie":
                tie.answers(case.inputs, editions.load(case.editions[-1]))
    finally:
        backfeed_and_tap.study = own
    assert len(kept) > 40
    assert sum(prove([step for step in sheet.steps() if isinstance(step, Step)]) for sheet in kept) > 500
