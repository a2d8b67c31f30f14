"""Conductors in their place: ambient, what shares their raceway, ampacity."""

from __future__ import annotations

from collections.abc import Iterable

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import conductor
from workbook_lib.sheet import Assumption, Input, Quantity, Step
from workbook_lib.workbooks.prepare import text

CONDUCTOR_QUESTION = "are the service conductors large enough for the service rating?"
DEVICE_QUESTION = "are the service conductors large enough for the device that protects them?"
"""What is asked in its place where that device is rated above the service."""


def ampacity_of(home, wire, path: str, edition, *, rating: Quantity | None, neutral: bool = False, size: Input | None = None) -> Step:
    """Ampacity in place [A] of a `conductor` table of the site file, or of its neutral.

    Errors: MissingInput naming every field that lacks.
    """
    if wire is None:
        raise MissingInput([path])
    names = ["neutral" if neutral else "size", "material", "insulation"]
    lacking = [f"{path}.{name}" for name in names if getattr(wire, name) is None]
    raceway = raceway_of(home, wire)
    if raceway is None or raceway.ambient is None:
        lacking.append(f"{path}.raceway" if not wire.raceway else f"raceway.{text(wire.raceway)}.ambient")
    if wire.terminals is None and rating is None:
        lacking.append(f"{path}.terminals")
    if lacking:
        raise MissingInput(lacking)
    if size is None:
        size = wire.neutral if neutral else wire.size
    name = f"{path}.neutral" if neutral else path
    return conductor.conductor_ampacity(
        name,
        size,
        wire.material,
        wire.insulation,
        wire.terminals,
        ambient_of(home, wire, name, edition),
        current_carrying(name, raceway.other_current_carrying, beside(home, wire, path, edition)),
        wire.sets,
        edition,
        rating=rating,
    )


def service_protection(home) -> tuple[Input, str]:
    """What the service conductors must stand [A]: the service rating, or the largest device of the service that is rated above it.

    Returns: that rating, and in words what protects them where it is such a device, else empty. Errors: MissingInput without a service
    rating. Source: 230.90(A).
    """
    rating = home.site.service.rating
    if rating is None:
        raise MissingInput(["service.rating"])
    above = [(name, one) for name, one in distribution.service_overcurrent(home.tree) if one.value > rating.value]
    if not above:
        return rating, ""
    named = ", ".join(f"{name} ({one.value:g} A)" for name, one in above)
    return max((one for _, one in above), key=lambda one: one.value), f"protected by {named}, above the {rating.value:g} A of the service"


def ambient_of(home, wire, name: str, edition) -> Quantity:
    """Temperature around a conductor [degC], with the adder of a roof. Errors: MissingInput."""
    raceway = raceway_of(home, wire)
    if raceway is None or raceway.ambient is None:
        raise MissingInput([f"raceway.{text(wire.raceway)}.ambient"])
    if raceway.above_roof is None:
        return raceway.ambient
    return conductor.roof_ambient(f"{name}.ambient", raceway.ambient, raceway.above_roof, wire.insulation, edition)


def insulation_place(home, wire, path: str, edition) -> Input:
    """Ambient factor of a conductor in its place [-]. Errors: CalculationFault where the table does not reach, MissingInput."""
    ambient = ambient_of(home, wire, path, edition)
    return edition.bracket("ambient", ambient.value, f"f{conductor.insulation_column(wire.insulation, wire.material, edition)[3:]}")


def beside(home, wire, path: str, edition) -> tuple[str, ...]:
    """Ids of other circuits of this home in the same raceway, none in a nipple of at most 24 in.

    Each brings two current-carrying conductors more. Source: 310.15(C)(1) (2017: 310.15(B)(3)(a)); nipples excepted.
    """
    if not wire.raceway:
        return ()
    owner = path.split(".")[1] if path.count(".") > 1 else "service"
    sharing = home.tree.by_raceway.get(wire.raceway, {})
    inches = [other.length.value * 12.0 if other.length is not None else float("inf") for other in sharing.values()]
    if max(inches, default=float("inf")) <= edition.value("nipple_length_in").value:
        return ()
    return tuple(name for name in sharing if name != owner)


def raceway_of(home, wire) -> object | None:
    """The raceway that a conductor names; None where it names none."""
    return home.tree.raceways.get(text(wire.raceway))


def assumed(home, wire) -> list[Assumption]:
    """What is taken of the raceway of a conductor where the file does not say it. Parameters: home, conductor. Returns: assumptions."""
    raceway = raceway_of(home, wire)
    taken = (("above_roof", "not close above a roof"), ("other_current_carrying", "shared with no other circuit"))
    lacking = [(name, words) for name, words in taken if raceway is not None and getattr(raceway, name) is None]
    return [Assumption(f"raceway.{raceway.id}.{name}", f"raceway {raceway.id} is taken to be {words}") for name, words in lacking]


def current_carrying(path: str, other: Input | None, beside: Iterable[str] = ()) -> Quantity:
    """Current-carrying conductors in the raceway: two ungrounded and what else shares it; the neutral of 120/240 V does not count.

    Parameters: path, other conductors [-], ids of other circuits drawn in the same raceway. Returns: [count].
    Source: 310.15(E) (2017: 310.15(B)(5)), from memory; each set in a raceway of its own.
    """
    note = "the neutral of 120/240 V does not count: 310.15(E), in 2017 310.15(B)(5), from memory"
    own = Input(f"{path}.ungrounded", "ungrounded conductors of one set", 2.0, "count", "choice", note)
    circuits = [Input(f"{path}.beside.{name}", f"ungrounded conductors of {name} beside them", 2.0, "count", "choice") for name in beside]
    if other is None and not circuits:
        return own
    parts = (own, *circuits, *((other,) if other is not None else ()))
    return Step(
        f"{path}.current_carrying",
        "n",
        "current-carrying conductors together",
        "sum(parts)" if circuits else "own + other",
        {"parts": parts} if circuits else {"own": own, "other": other},
        sum(part.value for part in parts),
        "count",
        note="each set in a raceway of its own",
    )
