"""A controlled charger: step responses in closed form for every parameter, a plain loop, bounds, what no control may do.

Floor of 6 A: IEC 61851-1 and SAE J1772. Loop times of an open implementation of the standard (checks of charging): a limit may be
renewed every 5 s at most. The responses are arithmetic on the rules of the engine; values are chosen for the tests.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plain_charging import charging
from workbook_lib.errors import CalculationFault
from workbook_lib.rules.sharing import WAYS, split
from workbook_lib.simulate.charging import Charged, Control, Vehicle, charge

quick = settings(max_examples=40, deadline=None)
N = 600


def stepped(before: float, after: float, at: int = 300, n: int = N) -> np.ndarray:
    """A house current that steps at a second."""
    return np.where(np.arange(n) < at, before, after)


def run(house, control: Control, vehicle: Vehicle | None = None, need: float = 1000.0, **lost):
    vehicle = vehicle or Vehicle(48.0)
    found = charge(house, np.zeros((1, len(house)), dtype=int), np.array([[need]]), 1.0, 240.0, control, [vehicle], **lost)
    return Charged(found.vehicle_a[0], found.pilot_a[0], found.energy_kwh[0])


def above(house, found, setting: float) -> np.ndarray:
    return np.maximum(house + found.vehicle_a - setting, 0.0)


def test_an_ideal_control_leaves_the_house_its_room():
    house = stepped(40.0, 70.0)
    found = run(house, Control("sensing", 100.0))
    assert found.vehicle_a[298] == pytest.approx(48.0)
    assert found.vehicle_a[305] == pytest.approx(30.0)
    assert (above(house, found, 100.0) > 1e-9).sum() == 1, "one step until the new value is drawn"


@pytest.mark.parametrize("name", ["sensor_delay_s", "command_delay_s"])
@pytest.mark.parametrize("delay", [1, 5, 20])
def test_each_delay_lengthens_an_excursion_by_itself(name, delay):
    """30 A too much for one step and the delay: ampere-seconds by the product."""
    house = stepped(52.0, 82.0)
    found = run(house, Control("sensing", 100.0, **{name: float(delay)}))
    over = above(house, found, 100.0)
    assert (over > 1e-9).sum() == delay + 1
    assert over.sum() == pytest.approx(30.0 * (delay + 1))


def test_a_slow_vehicle_adds_its_response_and_its_ramp():
    """48 to 18 A at 3 A/s after 6 s: seven steps of 30 A, then 27, 24, ... 3."""
    house = stepped(52.0, 82.0)
    over = above(house, run(house, Control("sensing", 100.0), Vehicle(48.0, response_s=6.0, ramp_a_per_s=3.0)), 100.0)
    assert over.sum() == pytest.approx(7 * 30 + sum(range(3, 28, 3)))
    assert over.max() == pytest.approx(30.0)


def test_sampling_waits_for_its_instant():
    """Samples every 5 s: a step just after one is seen up to 4 s later."""
    for at, waits in ((300, 0), (301, 4), (304, 1)):
        house = stepped(52.0, 82.0, at)
        assert (above(house, run(house, Control("sensing", 100.0, sample_s=5.0)), 100.0) > 1e-9).sum() == waits + 1


def test_a_filter_lets_the_house_through_by_its_time_constant():
    house = stepped(52.0, 82.0)
    found = run(house, Control("sensing", 100.0, filter_s=10.0))
    for seconds in (1, 5, 10, 30):
        known = 52.0 + 30.0 * (1 - math.exp(-seconds / 10.0))
        assert found.pilot_a[300 + seconds - 1] == pytest.approx(100.0 - known, abs=1e-9)


@pytest.mark.parametrize("delay", [0, 30, 120])
def test_a_raise_waits_and_begins_again_where_it_is_broken(delay):
    house = stepped(82.0, 60.0)
    found = run(house, Control("sensing", 100.0, raise_delay_s=float(delay)))
    assert found.pilot_a[300 + delay - 1] == pytest.approx(18.0) if delay else True
    assert found.pilot_a[300 + delay] == pytest.approx(40.0)
    broken = house.copy()
    if delay:
        broken[300 + delay // 2] = 82.0
        found = run(broken, Control("sensing", 100.0, raise_delay_s=float(delay)))
        assert found.pilot_a[300 + delay] == pytest.approx(18.0)
        assert found.pilot_a[300 + delay // 2 + 1 + delay] == pytest.approx(40.0)


def test_below_the_floor_it_pauses_and_a_pause_lasts():
    house = stepped(70.0, 96.0)
    house[310:] = 60.0
    found = run(house, Control("sensing", 100.0, minimum_off_s=60.0))
    assert found.vehicle_a[302:310].max() == 0.0
    assert found.pilot_a[310:359].max() == 0.0
    assert found.pilot_a[361] == pytest.approx(40.0)


def test_a_charger_that_has_just_begun_is_held_at_the_floor_and_its_excursion_is_told():
    """Commanded at 0 s; the house leaves 4 A from 20 s on; held at 6 A until it has run for 60 s: 2 A too much."""
    house = stepped(40.0, 96.0, 20)
    found = run(house, Control("sensing", 100.0, minimum_on_s=60.0))
    assert found.pilot_a[20:60] == pytest.approx(np.full(40, 6.0))
    assert found.pilot_a[60:].max() == 0.0
    assert above(house, found, 100.0)[22:60] == pytest.approx(np.full(38, 2.0))


def test_several_chargers_do_not_come_back_at_once_where_their_restart_is_spread():
    """Three chargers, all paused until 300 s: each comes back by its own wait after that, the same for the same seed."""
    house = stepped(99.0, 10.0)
    control = Control("sensing", 100.0, restart_spread_s=120.0, seed=1)
    found = charge(house, np.zeros((3, N)), np.full((3, 1), 99.0), 1.0, 240.0, control, [Vehicle(16.0)] * 3)
    begins = [int(np.flatnonzero(row > 0)[0]) for row in found.pilot_a]
    assert begins == [300 + math.ceil(one) for one in control.spread(3)]
    assert len(set(begins)) == 3
    assert max(begins) <= 420
    assert (control.spread(3) == Control("sensing", 100.0, restart_spread_s=120.0, seed=1).spread(3)).all()


def test_a_relay_sheds_a_charger_whole_and_takes_it_back_whole():
    """32 A beside a house of 60, 70 and again 60 A at a threshold of 100 A: 38 A do not fit, and return after 90 s of room."""
    house = np.concatenate([np.full(200, 60.0), np.full(100, 70.0), np.full(300, 60.0)])
    found = run(house, Control("sensing", 100.0, raise_delay_s=90.0), Vehicle(32.0, floor_a=32.0))
    assert set(np.unique(found.pilot_a)) == {0.0, 32.0}
    assert found.pilot_a[[89, 90]].tolist() == [0.0, 32.0]
    assert found.pilot_a[200:390].max() == 0.0
    assert found.pilot_a[390] == 32.0
    assert (above(house, found, 100.0) > 1e-9).sum() == 1


def test_the_step_of_the_pilot_rounds_down_and_the_dead_band_holds():
    assert run(np.full(60, 63.4), Control("sensing", 100.0, step_a=1.0)).pilot_a[-1] == pytest.approx(36.0)
    house = stepped(60.0, 61.5)
    assert run(house, Control("sensing", 100.0, fall_band_a=2.0)).pilot_a[-1] == pytest.approx(40.0), "1.5 A is within the band"
    assert run(house, Control("sensing", 100.0, dead_band_a=2.0)).pilot_a[-1] == pytest.approx(38.5), "a good control falls at once"
    back = run(house[::-1], Control("sensing", 100.0, dead_band_a=2.0))
    assert back.pilot_a[-1] == pytest.approx(38.5), "and does not rise by 1.5 A"
    assert run(stepped(60.0, 63.0), Control("sensing", 100.0, fall_band_a=2.0)).pilot_a[-1] == pytest.approx(37.0)
    low = run(stepped(60.0, 95.0), Control("sensing", 100.0, fall_band_a=50.0))
    assert low.pilot_a[-1] == 0.0, "a pause is never held off by the band"


def test_a_lost_sensor_or_command_takes_the_fallback_within_its_time():
    house = stepped(40.0, 80.0, 320)
    lost = np.arange(N) >= 310
    blind = run(house, Control("sensing", 100.0, fallback_a=6.0, lost_after_s=10.0), sensor_lost=lost)
    assert blind.vehicle_a[315] == pytest.approx(48.0)
    assert blind.vehicle_a[322] == pytest.approx(6.0)
    cut = run(house, Control("sensing", 100.0, fallback_a=0.0, lost_after_s=10.0), command_lost=lost)
    assert cut.vehicle_a[319] == pytest.approx(48.0)
    assert cut.vehicle_a[320:].max() == 0.0


def test_a_need_is_met_and_tapers():
    """1 kWh at 240 V and 48 A: 312.5 s."""
    found = run(np.zeros(N), Control("none"), need=1.0)
    assert found.energy_kwh[0] == pytest.approx(1.0, abs=1e-9)
    assert (found.vehicle_a > 1e-9).sum() == 313
    taper = run(np.zeros(N), Control("none"), Vehicle(48.0, taper_kwh=0.5), need=1.0)
    assert (taper.vehicle_a > 1e-9).sum() > 313
    assert taper.vehicle_a[taper.vehicle_a > 1e-9].min() < 7.0


def test_a_fixed_setting_and_no_control():
    assert run(np.full(60, 90.0), Control("fixed", 16.0)).vehicle_a[-1] == 16.0
    assert run(np.full(60, 90.0), Control("none"), Vehicle(32.0)).vehicle_a[-1] == 32.0


def random_case(seed: int, count: int = 1):
    rng = np.random.default_rng(seed)
    n = 500
    house = 30 + 60 * rng.random(n).repeat(20)[:n]
    ends = [(220 - 30 * one, 260 + 20 * one) for one in range(count)]
    session = np.array([np.where(np.arange(n) < end, 0, np.where(np.arange(n) < again, -1, 1)) for end, again in ends])
    control = Control(
        str(rng.choice(["sensing", "sensing", "fixed", "none"])), float(rng.uniform(60, 120)), float(rng.choice([0, 5, 10])),
        float(rng.choice([0, 20])), float(rng.choice([0, 3, 30])), float(rng.choice([0, 10])), 6.0, float(rng.choice([0, 1])),
        float(rng.choice([0, 2])), float(rng.choice([0, 60])), float(rng.choice([0, 30])), float(rng.choice([0, 40])),
        float(rng.choice([0, 6, 8])), float(rng.choice([0, 30])), float(rng.choice([0, 45])),
        seed, str(rng.choice(WAYS)), float(rng.choice([40, 70, np.inf])), float(rng.choice([0, 2])), float(rng.choice([0, 3])),
    )  # fmt: skip
    vehicles = [
        Vehicle(float(rng.choice([16, 32, 48])), float(rng.choice([0, 25])), float(rng.choice([0.5, 100])), float(rng.choice([0, 0.4])))
        for _ in range(count)
    ]
    if rng.random() < 0.5:  # each charger with values of its own, some shed whole
        vehicles = [
            replace(
                one,
                floor_a=float(rng.choice([6, 8, 32])),
                fallback_a=float(rng.choice([0, 8, 32])),
                volts=240.0,
                asks_a=float(rng.choice([32, 48])),
            )
            for one in vehicles
        ]
    lost = [rng.random(n) < 0.02 for _ in range(2)]
    lost = [np.convolve(one, np.ones(40), "same") > 0 for one in lost]
    return house, session, np.tile([1.2, 2.0], (count, 1)), float(rng.choice([1, 10, 60])), control, vehicles, lost


@pytest.mark.parametrize("count", [1, 2, 4])
@pytest.mark.parametrize("seed", range(24))
def test_every_step_agrees_with_a_plain_loop(seed, count):
    house, session, need, step_s, control, vehicles, lost = random_case(seed, count)
    found = charge(house, session, need, step_s, 240.0, control, vehicles, sensor_lost=lost[0], command_lost=lost[1])
    car, pilots, energy = charging(house.tolist(), session.tolist(), need.tolist(), step_s, 240.0, control, vehicles, *lost)
    assert found.vehicle_a == pytest.approx(np.array(car), abs=1e-9)
    assert found.pilot_a == pytest.approx(np.array(pilots), abs=1e-9)
    assert found.energy_kwh == pytest.approx(np.array(energy), abs=1e-9)
    assert found.energy_kwh.sum() == pytest.approx((found.vehicle_a * 240.0 * step_s / 3.6e6).sum(), abs=1e-9)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("house_a", [20.0, 50.0, 70.0, 82.0, 89.0, 95.0])
def test_several_chargers_settle_at_the_shares_of_the_rule(way, house_a):
    """48, 16 and 32 A beside a constant house at a setting of 100 A: the pilots are what `rules.sharing` gives by hand."""
    vehicles = [Vehicle(48.0), Vehicle(16.0), Vehicle(32.0)]
    found = charge(np.full(60, house_a), np.zeros((3, 60)), np.full((3, 1), 99.0), 1.0, 240.0, Control("sensing", 100.0, way=way), vehicles)
    assert found.pilot_a[:, -1] == pytest.approx(split(100.0 - house_a, [48.0, 16.0, 32.0], way))


def test_a_second_vehicle_takes_its_share_when_it_comes_and_its_order_counts():
    """Three 30 A units on an 80 A share are the published 26.7 A each; the first to come keeps 30 A."""
    session = np.zeros((3, 300))
    session[0, :200], session[1, :100], session[2, :50] = -1, -1, -1
    for way, last in (("equal", [80 / 3] * 3), ("first-come", [20.0, 30.0, 30.0]), ("priority", [30.0, 30.0, 20.0])):
        found = charge(np.zeros(300), session, np.full((3, 1), 99.0), 1.0, 240.0, Control("sensing", 80.0, way=way), [Vehicle(30.0)] * 3)
        assert found.pilot_a[:, 90] == pytest.approx([0.0, 0.0, 30.0])
        assert found.pilot_a[:, 190] == pytest.approx([0.0, 30.0, 30.0])
        assert found.pilot_a[:, -1] == pytest.approx(last)
        assert found.pilot_a.sum(axis=0).max() <= 80.0 + 1e-9


@quick
@given(seed=st.integers(0, 10_000))
def test_commands_together_never_exceed_the_room_of_a_plain_control(seed):
    """No delay, band or least time: what is commanded is within what the setting leaves at that step, whatever comes and goes."""
    house, session, need, step_s, control, vehicles, _ = random_case(seed, 3)
    plain = Control("sensing", control.setting_a, way=control.way, raise_delay_s=control.raise_delay_s, step_a=control.step_a)
    found = charge(house, session, need, step_s, 240.0, plain, vehicles)
    assert (found.pilot_a.sum(axis=0) <= np.maximum(control.setting_a - house, 0) + 1e-9).all()


@quick
@given(seed=st.integers(0, 10_000), more=st.floats(0, 30))
def test_a_higher_setting_never_delivers_less_where_the_control_is_ideal(seed, more):
    rng = np.random.default_rng(seed)
    house = 20 + 90 * rng.random(200)
    low, high = (run(house, Control("sensing", setting)).energy_kwh[0] for setting in (80.0, 80.0 + more))
    assert high >= low - 1e-9


@quick
@given(seed=st.integers(0, 10_000))
def test_nothing_holds_six_amperes_where_less_is_left(seed):
    """Whatever the parameters: where the house leaves less than the floor for good, the vehicle stops."""
    _, _, _, _, control, vehicles, _ = random_case(seed)
    if control.kind != "sensing":
        return
    found = run(np.full(2000, control.setting_a - 5.9), control, vehicles[0])
    assert found.vehicle_a[-100:].max() == 0.0


def test_the_energy_of_a_year_is_never_above_a_linear_program_and_meets_it_where_the_control_is_ideal():
    """scipy's HiGHS: most energy of each session within what the setting leaves; a floor of nothing makes the two comparable."""
    from scipy.optimize import linprog

    rng = np.random.default_rng(3)
    n, hours, volts = 300, 60 / 3600, 240.0
    house = 20 + 70 * rng.random(n)
    session = np.repeat([0, 1, 2], 100)
    need = np.array([2.0, 4.0, 40.0])
    room = np.clip(100.0 - house, 0.0, 48.0)
    found = charge(house, session[None], need[None], 60.0, volts, Control("sensing", 100.0, floor_a=0.0), [Vehicle(48.0)])
    cap = volts * hours / 1000.0
    rows = np.array([(session == one) * cap for one in range(3)])
    best = linprog(-np.full(n, cap), A_ub=rows, b_ub=need, bounds=[(0, one) for one in room], method="highs")
    assert found.energy_kwh.sum() <= -best.fun + 48.0 * cap, "one step late"
    late = np.concatenate([[0.0], room[:-1]])
    late[[100, 200]] = 0.0, 0.0
    same = linprog(-np.full(n, cap), A_ub=rows, b_ub=need, bounds=[(0, one) for one in late], method="highs")
    assert found.energy_kwh.sum() == pytest.approx(-same.fun, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_several_vehicles_are_never_above_a_maximum_flow(seed):
    """networkx: from each session by the steps of its stay to what the setting leaves; met where an ideal control has time to spare."""
    import networkx

    rng = np.random.default_rng(seed)
    n, kwh = 120, 240.0 / 60 / 1000
    house = 20 + 70 * rng.random(n)
    session = np.array([np.where((np.arange(n) >= 20 * one) & (np.arange(n) < 60 + 30 * one), 0, -1) for one in range(3)])
    need, cap = np.array([[4.0], [5.0], [6.0]]), [48.0, 32.0, 40.0]
    room = np.clip(100.0 - house, 0.0, None)
    graph = networkx.DiGraph()
    for at in range(n):
        graph.add_edge(("step", at), "sink", capacity=float(room[at]))
        for one in range(3):
            if session[one, at] == 0:
                graph.add_edge(("session", one), ("step", at), capacity=cap[one])
    for one in range(3):
        graph.add_edge("source", ("session", one), capacity=float(need[one, 0] / kwh))
    most = networkx.maximum_flow_value(graph, "source", "sink") * kwh
    ideal = Control("sensing", 100.0, floor_a=0.0)
    late = np.concatenate([house[1:], house[-1:]])  # a control that knows the next step, so that no step is above the setting
    found = charge(late, session, need, 60.0, 240.0, ideal, [Vehicle(one) for one in cap])
    service = house[1:] + found.vehicle_a[:, 1:].sum(axis=0)
    assert service.max() <= 100.0 + 1e-9
    assert found.energy_kwh.sum() <= most + 1e-9
    worse = Control("sensing", 100.0, raise_delay_s=300.0, step_a=1.0, minimum_off_s=300.0)
    real = charge(late, session, need, 60.0, 240.0, worse, [Vehicle(one) for one in cap])
    assert real.energy_kwh.sum() <= found.energy_kwh.sum() + 1e-9
    ample = charge(np.zeros(n), session, np.full((3, 1), 0.5), 60.0, 240.0, ideal, [Vehicle(one) for one in cap])
    assert ample.energy_kwh.sum() == pytest.approx(1.5)


@quick
@given(seed=st.integers(0, 10_000), count=st.integers(1, 3), begin=st.integers(0, 300))
def test_the_fallback_is_reached_within_its_time_from_every_state(seed, count, begin):
    """A signal lost for good: after its time, a sample, the way of the command and the ramp nothing draws more than the fallback."""
    house, session, need, step_s, control, vehicles, _ = random_case(seed, count)
    if control.kind != "sensing":
        return
    lost = np.arange(len(house)) >= begin
    slow = max(one.response_s + one.onboard_a / one.ramp_a_per_s for one in vehicles)
    waits = control.lost_after_s + max(control.sample_s, step_s) + control.command_delay_s + slow
    after = begin + math.ceil(waits / step_s) + 4
    for name in ("sensor_lost", "command_lost"):
        found = charge(house, session, need, step_s, 240.0, control, vehicles, **{name: lost})
        for one, drawn in zip(vehicles, found.vehicle_a, strict=True):
            most = control.fallback_a if one.fallback_a is None else one.fallback_a
            assert drawn[after:].max(initial=0.0) <= most + 1e-9


def test_what_is_no_control_is_refused():
    with pytest.raises(CalculationFault, match="unknown kind"):
        Control("app")
    with pytest.raises(CalculationFault, match="negative value"):
        Control("sensing", 100.0, raise_delay_s=-1.0)
    with pytest.raises(CalculationFault):
        Vehicle(0.0)
    with pytest.raises(CalculationFault, match="session without its need"):
        charge(np.zeros(4), np.array([[0, 0, 1, 1]]), np.array([[1.0]]), 1.0, 240.0, Control("none"), [Vehicle(48.0)])
    with pytest.raises(CalculationFault, match="unknown way"):
        Control("sensing", 100.0, way="fair")
    with pytest.raises(CalculationFault, match="differ in shape"):
        charge(np.zeros(4), np.zeros((2, 4)), np.array([[1.0]]), 1.0, 240.0, Control("none"), [Vehicle(48.0)])
