"""Impedance of a service, its fault currents line to line and line to neutral, and voltage along a run.

Ohms are those of the whole loop: both ungrounded conductors for line to line, one with the neutral for line to
neutral. Conductor values are alternating-current ones at 75 degC (Chapter 9 Table 9); colder conductors let more
fault current pass, which is why the temperature is named on the sheet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Input, Quantity, Source, Step

LINE_V = Input("choice.line_voltage", "voltage between the legs", 240.0, "V", "choice", "120/240 V service")
HALF_V = Input("choice.half_voltage", "voltage of one leg to neutral", 120.0, "V", "choice", "120/240 V service")
HALF_R = Input(
    "choice.half_winding_r",
    "resistance of one half winding, of the whole winding's per-unit value",
    1.5,
    "frac",
    "choice",
    "Lloyd, in Gonen example 3.1",
)
HALF_X = Input(
    "choice.half_winding_x",
    "reactance of one half winding, of the whole winding's per-unit value",
    1.2,
    "frac",
    "choice",
    "Lloyd, in Gonen example 3.1",
)
NEUTRAL_RATIO = Input(
    "choice.line_to_neutral_ratio",
    "fault current line to neutral over line to line at a centre-tapped transformer",
    1.5,
    "frac",
    "choice",
    "electrical plan review handbook, 2005; 1.33 to 1.67 by X/R",
)
MOST_RATIO = Input(
    "choice.most_line_to_neutral_ratio",
    "the most that line to neutral can be over line to line at a centre-tapped transformer",
    1.67,
    "frac",
    "choice",
    "electrical plan review handbook, 2005; only for the upper bound",
)
COLD = Input(
    "choice.cold_resistance",
    "resistance at 25 degC over that at 75 degC, aluminum",
    0.835,
    "frac",
    "choice",
    "1 - 0.0033 x 50, Chapter 9 Table 8 note on temperature, from memory; copper 0.8385; only for the upper bound",
)
LEAST_R = ((25.0, 0.565), (37.5, 0.485), (50.0, 0.397), (75.0, 0.387), (100.0, 0.342), (math.inf, 0.333))
"""Least resistance, as part of the impedance, of published single-phase transformers up to a size [kVA].

Source: PNNL residential transformer table, EPRI circuit 24 and IEEE 8500-node test feeders.
"""
POINT_TO_POINT = Source("point-to-point method, electrical plan review handbook, 2005")
PHASOR = Source("circuit theory")
LABELS = {"transformer": "the conductors from the transformer", "service": "the service conductors"}
"""Words for runs that are no thing of the file."""
STEEL = ("EMT", "RMC", "FMC")


@dataclass(frozen=True, slots=True)
class Run:
    """One run of conductors: loop ohms line to line and line to neutral, resistance and reactance each."""

    id: str
    r_ll: Step
    x_ll: Step
    r_ln: Step
    x_ln: Step


@dataclass(frozen=True, slots=True)
class Origin:
    """What stands ahead of the runs: a transformer or the utility's figure, as ohms.

    `z_ll`, `z_ln` magnitudes; `r_*`, `x_*` their parts, None where only the magnitude is known; `share` the least
    resistance part that published transformers of the size have; `rough` where line to neutral rests on the usual ratio alone.
    """

    z_ll: Step
    z_ln: Step
    share: Input
    r_ll: Step | None = None
    x_ll: Step | None = None
    r_ln: Step | None = None
    x_ln: Step | None = None
    rough: bool = False


def columns(material: str, raceway_kind: str | None) -> tuple[str, str]:
    """Columns of resistance and reactance: steel for EMT, RMC and FMC, else PVC, also for cable and open air.

    Parameters: texts. Returns: names [-]. Source: Chapter 9 Table 9.
    """
    steel = raceway_kind in STEEL
    return f"{material.lower()}_{'steel' if steel else 'pvc'}", "x_steel" if steel else "x_pvc"


def run(
    name: str, size: Input, neutral: Input | None, material: Input, raceway_kind: str | None, length: Input, sets: Input, edition: Edition
) -> Run:
    """Loop impedance of a run. Parameters: sizes (text), length one way [ft], sets [-]. Returns: Run [ohm].

    A run without a neutral has its loop line to neutral by its own size. Errors: CalculationFault for a size outside the table.
    Source: Chapter 9 Table 9, 75 degC.
    """
    r_name, x_name = columns(material.value, raceway_kind)
    r, x = edition.lookup("impedance", size.value, r_name), edition.lookup("impedance", size.value, x_name)
    other = neutral if neutral is not None and neutral.value != "none" else size
    rn, xn = edition.lookup("impedance", other.value, r_name), edition.lookup("impedance", other.value, x_name)
    cite = edition.cite("resistance")

    def loop(key: str, what: str, first: Input, second: Input) -> Step:
        uses: dict[str, Quantity] = {"length": length, "first": first, "second": second, "sets": sets}
        value = length.value / 1000.0 * (first.value + second.value) / sets.value
        return Step(
            f"run.{name}.{key}",
            key[0].upper(),
            f"{what} of {LABELS.get(name, name)}",
            "length / 1000 * (first + second) / sets",
            uses,
            value,
            "ohm",
            cite,
            note="75 degC",
            decimals=5,
            by=(size, material),
        )

    return Run(
        name,
        loop("r_ll", "resistance line to line", r, r),
        loop("x_ll", "reactance line to line", x, x),
        loop("r_ln", "resistance line to neutral", r, rn),
        loop("x_ln", "reactance line to neutral", x, xn),
    )


def least_share(rating_kva: float | None) -> Input:
    """Least resistance part of a transformer's impedance. Parameters: rating [kVA] or None. Returns: [-]. Source: `LEAST_R`."""
    value = next(part for upto, part in LEAST_R if (rating_kva if rating_kva is not None else math.inf) <= upto)
    note = "least of published transformers of this size (PNNL, EPRI circuit 24, IEEE 8500-node); only for the upper bound"
    return Input("choice.least_resistance", "least resistance part of the impedance", value, "frac", "choice", note)


def transformer_origin(
    rating: Input,
    impedance: Input | None,
    resistance: Input | None,
    reactance: Input | None,
    primary: tuple[Input, Input] | None = None,
) -> Origin:
    """Ohms of the utility's transformer as seen from 240 V and from one half winding.

    Parameters: rating [VA], impedance or resistance and reactance [-], fault current [A] and voltage [V] of the
    primary (None: infinite). Returns: Origin [ohm]. Errors: MissingInput without an impedance: there is no default.
    Source: per-unit definition; half winding by Lloyd (Gonen example 3.1).
    """
    base = Step(
        "transformer.base",
        "Z_b",
        "base impedance at 240 V",
        "voltage ** 2 / rating",
        {"voltage": LINE_V, "rating": rating},
        LINE_V.value**2 / rating.value,
        "ohm",
        PHASOR,
        decimals=5,
    )
    share = least_share(rating.value / 1000.0)
    if resistance is not None and reactance is not None:
        parts = [
            _winding("r_ll", "R", "resistance line to line", resistance, base),
            _winding("x_ll", "X", "reactance line to line", reactance, base),
            _winding("r_ln", "R", "resistance of one half winding", resistance, base, HALF_R),
            _winding("x_ln", "X", "reactance of one half winding", reactance, base, HALF_X),
        ]
        if primary is not None:
            parts[1], parts[3] = (_behind(part, primary, volts) for part, volts in ((parts[1], LINE_V), (parts[3], HALF_V)))
        return Origin(magnitude("transformer.z_ll", parts[0], parts[1]), magnitude("transformer.z_ln", parts[2], parts[3]), share, *parts)
    if impedance is None:
        raise MissingInput(
            ["service.transformer.impedance"],
            "the fault current turns on the transformer's impedance: ask the utility; there is no default",
        )
    whole = _winding("z_ll", "Z", "impedance line to line", impedance, base)
    half = Step(
        "transformer.z_ln",
        "Z",
        "transformer, impedance line to neutral",
        "z_ll * half / line / ratio",
        {"z_ll": whole, "half": HALF_V, "line": LINE_V, "ratio": NEUTRAL_RATIO},
        whole.value / 2.0 / NEUTRAL_RATIO.value,
        "ohm",
        POINT_TO_POINT,
        decimals=5,
    )
    if primary is not None:
        whole, half = _behind(whole, primary, LINE_V), _behind(half, primary, HALF_V)
    return Origin(whole, half, share, rough=True)


def _winding(key: str, symbol: str, what: str, share: Quantity, base: Step, factor: Input | None = None) -> Step:
    """One part of the transformer's impedance [ohm], of the whole winding or of one half."""
    uses: dict[str, Quantity] = {"part": share, "base": base}
    formula, value = "part * base", share.value * base.value
    if factor is not None:
        uses |= {"factor": factor, "line": LINE_V, "half": HALF_V}
        formula, value = "factor * part * base * (half / line) ** 2", factor.value * share.value * base.value / 4.0
    return Step(f"transformer.{key}", symbol, f"transformer, {what}", formula, uses, value, "ohm", PHASOR, decimals=5)


def _behind(own: Step, primary: tuple[Input, Input], volts: Input) -> Step:
    """An impedance with that of the primary, seen from the secondary, added plainly [ohm]."""
    current, voltage = primary
    uses = {"own": own, "volts": volts, "voltage": voltage, "current": current}
    value = own.value + volts.value**2 / (voltage.value * current.value)
    return Step(
        f"{own.key}.primary",
        own.symbol,
        f"{own.meaning}, with the primary",
        "own + volts ** 2 / (voltage * current)",
        uses,
        value,
        "ohm",
        PHASOR,
        decimals=5,
    )


def magnitude(key: str, r: Step, x: Step) -> Step:
    """Size of an impedance from its parts. Parameters: [ohm]. Returns: [ohm]. Source: circuit theory."""
    return Step(
        key,
        "Z",
        "impedance, resistance and reactance at right angles",
        "sqrt(r ** 2 + x ** 2)",
        {"r": r, "x": x},
        math.hypot(r.value, x.value),
        "ohm",
        PHASOR,
        decimals=5,
    )


def stated_origin(current: Input, ratio: Quantity | None, rating_kva: float | None, *, rough: bool = False) -> Origin:
    """Ohms behind a fault current that the utility states.

    Parameters: current [A], ratio of line to neutral over line to line (None: the figure is taken for both) [-].
    Returns: Origin [ohm]. `rough` where the ratio rests on the usual one alone. Source: the utility; Ohm's law.
    """
    whole = Step(
        "utility.z_ll",
        "Z",
        "impedance behind the utility's figure, line to line",
        "voltage / current",
        {"voltage": LINE_V, "current": current},
        LINE_V.value / current.value,
        "ohm",
        PHASOR,
        decimals=5,
    )
    uses: dict[str, Quantity] = {"voltage": HALF_V, "current": current}
    formula, value = "voltage / current", HALF_V.value / current.value
    if ratio is not None:
        uses["ratio"], formula, value = ratio, "voltage / (ratio * current)", HALF_V.value / (ratio.value * current.value)
    half = Step(
        "utility.z_ln", "Z", "impedance behind the utility's figure, line to neutral", formula, uses, value, "ohm", PHASOR, decimals=5
    )
    return Origin(whole, half, least_share(rating_kva), rough=rough)


@dataclass(frozen=True, slots=True)
class Way:
    """Everything between the origin and a place: sums of resistance, reactance and magnitude, line to line and line to neutral [ohm]."""

    r_ll: Step
    x_ll: Step
    z_ll: Step
    r_ln: Step
    x_ln: Step
    z_ln: Step


def way(place: str, before: Way | None, one: Run) -> Way:
    """The way to a place: that to what feeds it, and one run more. Parameters: [ohm]. Returns: [ohm]. Source: addition."""
    found = {}
    for kind, words in (("ll", "line to line"), ("ln", "line to neutral")):
        r, x = getattr(one, f"r_{kind}"), getattr(one, f"x_{kind}")
        parts = {"r": r, "x": x, "z": magnitude(f"way.{place}.run_{kind}", r, x)}
        for letter, part in parts.items():
            name = f"{letter}_{kind}"
            found[name] = part if before is None else _more(f"way.{place}.{name}", letter, words, getattr(before, name), part)
    return Way(**found)


def _more(key: str, letter: str, words: str, before: Step, run: Step) -> Step:
    what = {"r": "resistance", "x": "reactance", "z": "impedance"}[letter]
    uses = {"before": before, "run": run}
    return Step(
        key, letter.upper(), f"{what} on the way, {words}", "before + run", uses, before.value + run.value, "ohm", PHASOR, decimals=5
    )


def fault(place: str, origin: Origin, along: Way | None, *, neutral: bool) -> Step:
    """Fault current at a place: by phasors where the origin's parts are known, else by the plain sum of magnitudes.

    Parameters: origin, the way to it (None at the origin) [ohm], neutral True for line to neutral. Returns: [A]. Source:
    circuit theory; the plain sum is the point-to-point method.
    """
    kind, words = ("ln", "line to neutral") if neutral else ("ll", "line to line")
    voltage = HALF_V if neutral else LINE_V
    r0, x0, z0 = (getattr(origin, f"{letter}_{kind}") for letter in "rxz")
    key, symbol, meaning = f"fault.{place}.{kind}", f"I_{kind}", f"fault current at {place}, {words}"
    if r0 is not None and x0 is not None:
        uses: dict[str, Quantity] = {"voltage": voltage, "r0": r0, "x0": x0}
        formula, r, x = "voltage / sqrt(r0 ** 2 + x0 ** 2)", r0.value, x0.value
        if along is not None:
            uses |= {"r": getattr(along, f"r_{kind}"), "x": getattr(along, f"x_{kind}")}
            formula, r, x = "voltage / sqrt((r0 + r) ** 2 + (x0 + x) ** 2)", r + uses["r"].value, x + uses["x"].value
        return Step(key, symbol, meaning, formula, uses, voltage.value / math.hypot(r, x), "A", PHASOR)
    uses, formula, total = {"voltage": voltage, "z0": z0}, "voltage / z0", z0.value
    if along is not None:
        uses |= {"way": getattr(along, f"z_{kind}")}
        formula, total = "voltage / (z0 + way)", total + uses["way"].value
    note = "impedances added plainly: the transformer's resistance and reactance are not known apart"
    return Step(key, symbol, meaning, formula, uses, voltage.value / total, "A", POINT_TO_POINT, note=note)


def upper(place: str, origin: Origin, along: Way | None, *, neutral: bool) -> Step | None:
    """What the fault current can reach with cold conductors; None at the origin itself.

    Conductors at 25 degC. Where only the transformer's magnitude is known it has the least resistance that published ones
    of its size have, added at right angles, and line to neutral the most of the usual ratios. A tolerance of the impedance
    is not in it. Parameters: [ohm]. Returns: [A]. Source: `LEAST_R`, `COLD`, `MOST_RATIO`.
    """
    if along is None:
        return None
    kind, words = ("ln", "line to neutral") if neutral else ("ll", "line to line")
    voltage, z0 = (HALF_V, origin.z_ln) if neutral else (LINE_V, origin.z_ll)
    r, x = getattr(along, f"r_{kind}"), getattr(along, f"x_{kind}")
    r0, x0 = getattr(origin, f"r_{kind}"), getattr(origin, f"x_{kind}")
    key, meaning = f"fault.{place}.upper_{kind}", f"fault current that {place} can see, {words}"
    uses: dict[str, Quantity] = {"voltage": voltage, "cold": COLD, "r": r, "x": x}
    if r0 is not None and x0 is not None:
        uses |= {"r0": r0, "x0": x0}
        formula = "voltage / sqrt((r0 + cold * r) ** 2 + (x0 + x) ** 2)"
        value = voltage.value / math.hypot(r0.value + COLD.value * r.value, x0.value + x.value)
        return Step(key, "I_up", meaning, formula, uses, value, "A", PHASOR, note="conductors at 25 degC")
    part, z, term = origin.share.value, z0.value, "z"
    uses |= {"share": origin.share, "z": z0}
    if neutral and origin.rough:
        uses |= {"usual": NEUTRAL_RATIO, "most": MOST_RATIO}
        z, term = z * NEUTRAL_RATIO.value / MOST_RATIO.value, "z * usual / most"
    value = voltage.value / math.hypot(part * z + COLD.value * r.value, math.sqrt(1 - part**2) * z + x.value)
    formula = f"voltage / sqrt((share * {term} + cold * r) ** 2 + (sqrt(1 - share ** 2) * {term} + x) ** 2)"
    note = "conductors at 25 degC, the transformer with the least resistance part that published ones of its size have"
    return Step(key, "I_up", meaning, formula, uses, value, "A", PHASOR, note=note)


def point_to_point(place: str, before: Step, one: Run, *, neutral: bool) -> Step:
    """Fault current at the end of one run from that at its start, by the multiplier of the point-to-point method.

    Parameters: before [A], run [ohm]. Returns: [A]. Source: point-to-point method: f = I Z / E, M = 1 / (1 + f).
    """
    kind, voltage = ("ln", HALF_V) if neutral else ("ll", LINE_V)
    r, x = getattr(one, f"r_{kind}"), getattr(one, f"x_{kind}")
    z = magnitude(f"point.{place}.z_{kind}", r, x)
    f = z.value * before.value / voltage.value
    return Step(
        f"point.{place}.{kind}",
        "I_p",
        f"the same by the point-to-point method, {'line to neutral' if neutral else 'line to line'}",
        "before / (1 + z * before / voltage)",
        {"before": before, "z": z, "voltage": voltage},
        before.value / (1.0 + f),
        "A",
        POINT_TO_POINT,
    )
