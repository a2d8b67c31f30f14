"""Motor starts against the surge rating of an island, as parts of the backup sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.rules import motor_start
from workbook_lib.sheet import Check, Quantity, Section, Step, Table, Verdict, compare
from workbook_lib.workbooks.backup_power import ONE_LEG_V, limit_of
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.prepare import leg_of, nominal_voltage

MOTORS = ("well-pump", "pool-pump", "air-conditioner", "room-air-conditioner", "heat-pump", "motor", "disposer", "hvac-fan")
"""Kinds of load that start a motor, whether or not the file says how. Motors inside other appliances are not looked at."""
RUNNING = "does the island carry all that runs at once on leg {leg}?"
LEGS = ("A", "B")
TOGETHER = "does the island start the motors that are asked to start at once?"


def motors(work: Work) -> None:
    """Checks `motor-start:LOAD` of every motor that is backed up."""
    steps: list[Step] = []
    rows: list[tuple[object, ...]] = []
    for load in work.loads():
        given = (load.locked_rotor_current, load.soft_start_current, load.locked_rotor_code, load.motor_power, load.starting_power)
        if load.kind in MOTORS or any(one is not None for one in given):
            key, asked = f"motor-start:{load.id}", f"does the island start {load.id} beside what else runs?"
            work.guarded(key, asked, lambda load=load: _start(work, load, steps, rows))
    if work.site.backup.start_together:
        work.guarded("motor-start:together", TOGETHER, lambda: _together(work, steps))
    if rows:
        columns = ("Motor", "Starts at (A)", "Takes (s)", "Beside it (A)", "Together (A)", "Peak of the island (A)", "For (s)")
        prose = (
            "Each motor by itself beside what else may run; several start together only where the site file asks for it. After an outage "
            "all of them may: a control that lets them come back one after another is common practice."
        )
        table = Table(columns, tuple(rows), "Motor starts against the surge rating", 1)
        work.sections.append(Section("Motor start", tuple(steps), prose, table))


def running(work: Work) -> None:
    """Checks `backup-running:LEG`: running power of everything that no credited control sheds, on each leg of the island."""
    things = [one for one in work.loads() if one.id not in work.shed]
    chargers = _chargers(work)
    if not things and not chargers:
        return
    steps: list[Step] = []
    for leg in LEGS:
        key = f"backup-running:{leg}"
        work.guarded(key, RUNNING.format(leg=leg), lambda leg=leg, key=key: _runs(work, things, chargers, leg, key, steps))
    prose = (
        "Everything that is backed up and that no credited control sheds, running at once by its running power, else its nameplate. "
        "Lighting and receptacles beside the loads of the site file are not in it. Above the limit somebody, or a control, must keep "
        "loads apart: the inverter would stop."
    )
    work.sections.append(Section("Running at once", tuple(steps), prose))


def _runs(work: Work, things, chargers, leg: str, key: str, steps: list[Step]) -> Check:
    meaning = "running at once"
    step = _running(work, things, chargers, (leg,), f"backup.running.{leg}", meaning)
    steps.append(step)
    limit = limit_of(work, "leg_current", "current of one leg")
    check = compare(key, RUNNING.format(leg=leg), limit, ">=", step)
    if check.verdict is Verdict.PASS:
        return replace(check, note="all of it at once")
    closes = "a credited control that keeps loads apart, or an instruction that whoever is there follows"
    note = "not all of it may run at once; the sweep does not see it where its steps are longer than a cycle of a load"
    return replace(check, verdict=Verdict.JUDGEMENT, note=note, closes=closes, decides="the engineer")


def _power(work: Work, thing) -> Quantity:
    """Running power of a load [W], its nameplate [VA] where none is stated. Errors: MissingInput."""
    if thing.running_power is not None:
        if thing.count.value == 1:
            return thing.running_power
        uses = {"count": thing.count, "each": thing.running_power}
        meaning, value = f"running power of all units of {thing.id}", thing.count.value * thing.running_power.value
        return Step(f"load.{thing.id}.running", "P", meaning, "count * each", uses, value, "W")
    item = next((one for one in work.items if one.id == thing.id), None)
    if item is None:
        raise MissingInput([f"load.{thing.id}.running_power"])
    return item.va


def _start(work: Work, load, steps: list[Step], rows: list) -> Check:
    volts = load.voltage if load.voltage is not None else nominal_voltage(work.edition)
    start = motor_start.starting_current(load, volts, work.edition)
    peak = limit_of(work, "peak_current", "peak current")
    other, words = _beside(work, load)
    check, both = motor_start.start_check(load.id, start, other, peak, words)
    steps += [one for one in (start, other, both) if isinstance(one, Step)]
    work.starts.append((load.id, start, other, peak))
    _dip(work, load, start, volts, steps)
    least = _peak_lasts(work)
    takes = load.start_time.value if load.start_time is not None else "not given"
    rows.append((load.id, start.value, takes, other.value, both.value, peak.value, least if least is not None else "not given"))
    return _with_general(work, _timed(work, check, both, [load]), both)


def _peak_lasts(work: Work) -> float | None:
    """Seconds that the peak of every inverter lasts [s]; None where one does not say."""
    seconds = [one.island.peak_duration if one.island is not None else None for one in work.backing()]
    return None if not seconds or any(one is None for one in seconds) else min(one.value for one in seconds)


def _timed(work: Work, check: Check, both: Step, loads) -> Check:
    """A start against the seconds of the peak: longer fails, not stated is a judgement unless the continuous rating carries it."""
    if check.verdict is not Verdict.PASS:
        return check
    least, given = _peak_lasts(work), [one.start_time for one in loads]
    longest = max((one.value for one in given if one is not None), default=None)
    steady = limit_of(work, "leg_current", "current of one leg")
    if both.value <= steady.value:
        return replace(check, note=f"{check.note}; within the continuous rating of a leg, however long it takes")
    if least is not None and longest is not None and longest > least:
        note = f"{check.note}; it takes {longest:g} s to start, the peak lasts {least:g} s"
        return replace(check, verdict=Verdict.FAIL, note=note)
    lacking = [f"load.{one.id}.start_time" for one in loads if one.start_time is None]
    lacking += ["source.*.island.peak_duration"] if least is None else []
    if not lacking:
        return check
    note = f"{check.note}; above the continuous rating for seconds that are not stated: {', '.join(lacking)}"
    return replace(check, verdict=Verdict.JUDGEMENT, note=note, closes=f"enter {', '.join(lacking)}", decides="the engineer")


def _with_general(work: Work, check: Check, both: Step) -> Check:
    """A judgement where a start that passes would not beside the lighting and receptacles that the island is calculated with."""
    general = work.general
    if check.verdict is not Verdict.PASS or general is None or not general.value:
        return check
    more = general.value / work.volts.value
    most = both.value + more
    words = f"{check.note}; with the {more:.1f} A of lighting and receptacles on each leg that the island is calculated with {most:.1f} A"
    if check.provided.value >= most:
        return replace(check, note=words)
    closes = "the running power of what is on those circuits in an outage, as loads of the site file, or a soft starter"
    return replace(check, verdict=Verdict.JUDGEMENT, note=words, closes=closes, decides="the engineer")


def _legs(work: Work, thing) -> tuple[str, ...]:
    """Legs on which a load may run: both at 240 V, its own at 120 V, either where that is not known."""
    if thing.voltage is None or thing.voltage.value > ONE_LEG_V:
        return LEGS
    return (leg,) if (leg := leg_of(work.home, thing)) else LEGS


def _running(work: Work, others, chargers, legs: tuple[str, ...], key: str, meaning: str, starts=(), like=None) -> Step:
    """Current of the heavier of some legs [A]: 240 V loads on both, a 120 V load of unknown leg on each, starts on theirs.

    `like` is a load of which one unit starts: the others of its count run beside it. Where 120 V alone is formed all is on one leg.
    """
    volts, joined = nominal_voltage(work.edition), work.one_leg()
    found = []
    for leg in legs:
        line = (*(_power(work, one) for one in others if _across(one)), *(one.unit_va for one in chargers if one.voltage_v > ONE_LEG_V))
        rest = _others_of(work, like) if like is not None else None
        line += (rest,) if rest is not None and _across(like) else ()
        single = tuple(_power(work, one) for one in others if not _across(one) and (joined or leg in _legs(work, one)))
        single += tuple(one.unit_va for one in chargers if one.voltage_v <= ONE_LEG_V and (joined or one.leg in ("", leg)))
        single += (rest,) if rest is not None and not _across(like) else ()
        own = tuple(start for thing, start in starts if joined or leg in _legs(work, thing))
        uses: dict[str, Quantity | tuple[Quantity, ...]] = {"voltage": volts} if line or single else {}
        terms, value = [], 0.0
        for name, parts, over, under in (
            ("starts", own, "", 1.0),
            ("line_powers", line, " / voltage", volts.value),
            ("leg_powers", single, " / (voltage / 2)", volts.value / 2.0),
        ):
            if parts:
                uses[name] = parts
                terms.append(f"sum({name}){over}")
                value += sum(one.value for one in parts) / under
        found.append((value, leg, uses, " + ".join(terms) or "0"))
    value, leg, uses, formula = max(found, key=lambda row: row[0])
    return Step(key, "I_oth", f"{meaning}, leg {leg}", formula, uses, value, "A", decimals=1)


def _others_of(work: Work, load) -> Step | None:
    """Running power of the like units that do not start [W or VA]; None where it is one unit alone. Errors: MissingInput."""
    if load.count.value == 1:
        return None
    if load.running_power is None:
        raise MissingInput([f"load.{load.id}.running_power"], "the like units beside the one that starts run on")
    uses = {"count": load.count, "each": load.running_power}
    value = (load.count.value - 1) * load.running_power.value
    return Step(f"load.{load.id}.others_of", "P", f"the other units of {load.id}", "(count - 1) * each", uses, value, "W")


def _across(thing) -> bool:
    return thing.voltage is None or thing.voltage.value > ONE_LEG_V


def _chargers(work: Work) -> list:
    """Chargers that may run while a motor starts: those that no credited control sheds."""
    return [one for one in work.items if one.group == "evse" and one.id not in work.shed]


def _beside(work: Work, load) -> tuple[Quantity, str]:
    """What else may run as a motor starts [A]: running power of every other load, its nameplate where none is stated.

    Errors: MissingInput where a load has neither.
    """
    others, chargers = [one for one in work.loads() if one.id != load.id], _chargers(work)
    step = _running(
        work, others, chargers, _legs(work, load), f"load.{load.id}.beside", f"other running load as {load.id} starts", like=load
    )
    names = ", ".join(one.id for one in (*others, *chargers)) or "nothing"
    return step, f"beside the running power, else the nameplate, of {names}"


def _together(work: Work, steps: list[Step]) -> Check:
    """Check `motor-start:together`: the named motors at once beside what else runs."""
    names = work.site.backup.start_together
    known = {name: start for name, start, _, _ in work.starts}
    lacking = [name for name in names if name not in known]
    if lacking:
        fields = [f"load.{name}.locked_rotor_current" for name in lacking]
        raise MissingInput(fields, f"{', '.join(lacking)} is to start with others, and how it starts is not known or it is not backed up")
    together = [one for one in work.loads() if one.id in names]
    rest = [one for one in work.loads() if one.id not in names]
    starts = [(one, _units(one, known[one.id])) for one in together]
    meaning = f"{', '.join(names)} starting at once beside what else runs"
    both = _running(work, rest, _chargers(work), LEGS, "backup.start_together", meaning, starts)
    steps.append(both)
    peak = limit_of(work, "peak_current", "peak current")
    note = "asked for in the site file; started one after another they are tested each by itself"
    check = compare("motor-start:together", TOGETHER, peak, ">=", both, note=note)
    return _with_general(work, _timed(work, check, both, together), both)


def _units(load, start: Quantity) -> Quantity:
    """Starting current of all like units [A]."""
    if load.count.value == 1:
        return start
    uses = {"count": load.count, "start": start}
    value = load.count.value * start.value
    return Step(f"load.{load.id}.all_start", "I_st", f"all units of {load.id} starting", "count * start", uses, value, "A", decimals=1)


def _dip(work: Work, load, start: Quantity, volts: Quantity, steps: list[Step]) -> None:
    """Voltage dip as a motor starts, where the impedance of the one inverter is stated; a check where a limit is."""
    forming = [one for one in work.forming() if one.kind == "multimode-inverter" and one.island is not None]
    if len(forming) != 1 or forming[0].island.impedance is None:
        return
    source = forming[0]
    uses: dict[str, Quantity] = {"start": start, "impedance": source.island.impedance, "voltage": volts}
    formula, value = "start * impedance / voltage", start.value * source.island.impedance.value / volts.value
    if source.count.value != 1:
        uses["count"], formula, value = source.count, f"{formula} / count", value / source.count.value
    dip = Step(f"load.{load.id}.dip", "dV", f"voltage dip as {load.id} starts", formula, uses, value, "frac", decimals=4)
    steps.append(dip)
    limit = source.island.voltage_dip_limit
    if limit is not None:
        asked = f"does the voltage stay up as {load.id} starts?"
        work.checks.append(compare(f"motor-start-dip:{load.id}", asked, dip, "<=", limit))
