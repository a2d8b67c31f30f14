"""The device between meter and socket: approval, socket, connection, sources, loads and switch, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.sheet import Check, Quantity, Section, Step, Verdict, compare, needs_input
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, flow, local_limit

UTILITY = "the utility"
AUTHORITY = "the authority having jurisdiction"


def adapter(work: Work) -> None:
    """Checks of the device between meter and socket; nothing where there is none."""
    item = work.site.adapter
    if item is None or item.status == "removed":
        return
    work.notes.append(
        "a connection on the house side of the meter is normally still supply-side: the service disconnect decides, not the meter"
    )
    steps: list[Step] = []
    work.checks += [_connection(work, item), _approval(work, item), _socket(work, item)]
    work.guarded("adapter-source", "does the adapter carry the sources connected through it?", lambda: _adapter_sources(work, item, steps))
    _adapter_loads(work, item, steps)
    _switch(work, item)
    if steps:
        prose = "Loads through the socket by every reading in use; where they disagree a reviewer decides."
        work.sections.append(Section("Meter-socket adapter", tuple(steps), prose))


def _connection(work: Work, item) -> Check:
    """Check `adapter-connection`: the side of the meter and of the service disconnect, and the rules that they select."""
    key, asked, cite = "adapter-connection", "on which side does the adapter's connection stand?", work.edition.cite("supply_side")
    lacking = [f"adapter.{name}" for name in ("meter_side", "service_disconnect", "overcurrent") if getattr(item, name) is None]
    if lacking:
        return needs_input(key, asked, lacking, cite)
    if text(item.meter_side) == "line":
        note = "on the utility's side of the meter: what it feeds is not metered, and the conductors there are the utility's"
        closes = "the utility's consent to a connection ahead of its meter, in writing"
        return Check(key, asked, Verdict.JUDGEMENT, source=cite, note=note, closes=closes, decides=UTILITY)
    if text(item.service_disconnect) == "within":
        note = "house side of the meter, after the service disconnect that stands within: load side, the rules of 705.12 hold"
        return Check(key, asked, Verdict.PASS, source=work.edition.cite("bus_scope"), note=note)
    device = distribution.amperes(item.overcurrent)
    note = "house side of the meter, ahead of the service disconnect: supply side, the rules of 705.11 hold"
    if device is None:
        note += "; the adapter has no device of its own: what hangs on it is tested as a supply-side connection"
    else:
        note += (
            f"; its connection up to its {device.value:g} A device stands inside the listed adapter: least size, length and bonding "
            "there are its listing's"
        )
    return Check(key, asked, Verdict.PASS, source=cite, note=note)


def _switch(work: Work, item) -> None:
    """Check `adapter-switch`: an islanding switch in the adapter carries the load and the sources of the island."""
    if not item.islanding_switch:
        return
    asked = "does the islanding switch in the adapter carry the load and the sources behind it?"

    def make() -> Check:
        if item.continuous is None:
            raise MissingInput(["adapter.continuous"], "the switch carries what the adapter carries")
        carried: list[Quantity] = [one for one in (flow(work, "service"),) if one is not None]
        load = work.results.get("adapter_load_a:calculated")
        if load is None or load.step is None:
            raise MissingInput(["study.service_load_method"], "the load through the switch is not known: see adapter-load")
        most = max([load.step, *carried], key=lambda one: one.value)
        what = "the load" if most is load.step else "the sources"
        note = f"{what} behind it decides; its short-circuit rating is the adapter's: see interrupting:adapter"
        return compare("adapter-switch", asked, item.continuous, ">=", most, work.edition.cite("interconnect_device"), note=note)

    work.guarded("adapter-switch", asked, make)
    work.notes.append("islanding switch in the adapter: that its listing covers the islanding function is to be shown")


def _approval(work: Work, item) -> Check:
    key, asked = "adapter-approval", "has the utility approved this model of adapter for this socket?"
    found = [one for one in work.site.evidence if one.for_ == "adapter" and text(one.shows) == "utility-approval"]
    whole = [one for one in found if one.document is not None and one.date is not None]
    if not item.listed_to:
        return needs_input(key, asked, ["adapter.listed_to"], work.edition.cite("supply_side_list"))
    if item.model is None:
        return needs_input(key, asked, ["adapter.model"], work.edition.cite("supply_side_list"))
    if not whole:
        note = "approval is per model and per utility: a dated document for this model is wanted, not a yes"
        closes = "the utility's approval of this model as evidence for the adapter, with document and date"
        return Check(
            key, asked, Verdict.NEEDS_INPUT, source=work.edition.cite("supply_side_list"), note=note, closes=closes, decides=UTILITY
        )
    listed = work.home.utility.approved_adapters if work.home.utility is not None else ()
    if listed and all(one.model != item.model for one in listed):
        note = f"{item.model} is not on the utility's list of accepted adapters ({', '.join(one.model for one in listed)})"
        closes = "the utility's word on this model, in writing"
        source = work.edition.cite("supply_side_list")
        return Check(key, asked, Verdict.JUDGEMENT, source=source, note=note, closes=closes, decides=UTILITY)
    note = f"{item.model}: {text(whole[0].by) or UTILITY}, {text(whole[0].document)}, {whole[0].date}"
    return Check(key, asked, Verdict.PASS, source=work.edition.cite("supply_side_list"), note=note)


def _socket(work: Work, item) -> Check:
    """Check `adapter-socket`: one self-contained position, sound and clear, as recorded."""
    key, asked, cite = "adapter-socket", "is the meter socket fit for an adapter?", work.edition.cite("meter_socket")
    socket = work.site.service.meter_socket
    if socket is None:
        return needs_input(key, asked, ["service.meter_socket"], cite)
    lacking = [f"service.meter_socket.{name}" for name in ("form", "continuous", "positions", "jaws") if getattr(socket, name) is None]
    lacking += ["adapter.clear_of_sealed_part"] if item.clear_of_sealed_part is None else []
    if lacking:
        return needs_input(key, asked, lacking, cite)
    wrong = []
    positions = local_limit(work, "adapter_socket_positions")
    most = positions.value if positions is not None else 1
    if socket.positions.value > most:
        wrong.append(f"{socket.positions.value:g} meter positions: at most {most:g} is accepted")
    if socket.jaws.value not in (4, 5):
        wrong.append(f"{socket.jaws.value:g} jaws: a 120/240 V self-contained socket has four, or five with the neutral")
    if not item.clear_of_sealed_part:
        wrong.append("the adapter covers the sealed part of the socket")
    rating, largest = work.site.service.rating, local_limit(work, "adapter_service_rating")
    if largest is not None and rating is not None and rating.value > largest.value:
        wrong.append(f"{rating.value:g} A service: an adapter is accepted up to {largest.value:g} A ({largest.source})")
    if wrong:
        return Check(key, asked, Verdict.FAIL, source=cite, note="; ".join(wrong))
    sound = [
        one
        for one in work.site.evidence
        if one.for_ in ("meter", "adapter") and text(one.shows) == "condition" and one.document is not None
    ]
    if not sound:
        note = "its condition (heat, corrosion, spread jaws) is not recorded"
        closes = "a dated record of the socket's condition as evidence for the meter"
        return Check(key, asked, Verdict.NEEDS_INPUT, source=cite, note=note, closes=closes, decides="the engineer on site")
    return Check(key, asked, Verdict.PASS, source=cite, note="one self-contained position, recorded as sound, sealed part clear")


def _ratings(work: Work, item) -> Step:
    """The least continuous rating of adapter and socket [A]. Errors: MissingInput."""
    socket = work.site.service.meter_socket
    lacking = ["adapter.continuous"] if item.continuous is None else []
    lacking += ["service.meter_socket.continuous"] if socket is None or socket.continuous is None else []
    if lacking:
        raise MissingInput(lacking)
    return Step(
        "adapter.limit",
        "I_lim",
        "continuous rating of adapter and socket",
        "min(adapter, socket)",
        {"adapter": item.continuous, "socket": socket.continuous},
        min(item.continuous.value, socket.continuous.value),
        "A",
        work.edition.cite("meter_socket"),
    )


def _load_limit(work: Work, item) -> Step:
    """What the load may reach [A]: the ratings, and a local limit on load through an adapter."""
    rated, local = _ratings(work, item), local_limit(work, "adapter_load_current")
    if local is None:
        return rated
    return Step(
        "adapter.load_limit",
        "I_lim",
        "what the load through the adapter may reach, by ratings and the local limit",
        "min(rated, local)",
        {"rated": rated, "local": local},
        min(rated.value, local.value),
        "A",
        local.source if local.value < rated.value else rated.source,
    )


def _adapter_sources(work: Work, item, steps: list[Step]) -> Check:
    asked = "does the adapter carry the sources connected through it?"
    total = flow(work, "service")
    if total is None:
        return Check("adapter-source", asked, Verdict.NOT_APPLICABLE, note="no source")
    limit = _ratings(work, item)
    steps += [one for one in (limit, total) if isinstance(one, Step)]
    cite, note = work.edition.cite("meter_socket"), "continuous outputs against continuous ratings"
    found = [compare("adapter-source", asked, total, "<=", limit, cite, note=note)]
    local, through = local_limit(work, "adapter_source_current"), flow(work, "adapter")
    if local is not None and through is not None:
        words = f"the local limit on source current through an adapter; {note}: {total.value:.1f} A of {limit.value:.1f} A"
        found.append(compare("adapter-source", asked, through, "<=", local, local.source, note=words))
    return min(found, key=lambda one: one.room)


def _adapter_loads(work: Work, item, steps: list[Step]) -> None:
    """Checks `adapter-load:READING` and the one that counts."""
    asked = "do adapter and socket carry the load through them?"
    try:
        limit, readings = _load_limit(work, item), _readings(work, item)
    except MissingInput as lack:
        work.checks.append(needs_input("adapter-load", asked, lack.fields, note=str(lack)))
        return
    shown = {}
    for reading, step in readings.items():
        work.result(f"adapter_load_a:{reading}", step)
        steps.append(step)
        shown[reading] = compare(
            f"adapter-load:{reading}",
            f"{asked[:-1]}, by the reading {reading}?",
            step,
            "<=",
            limit,
            work.edition.cite("meter_socket"),
            counts=False,
        )
    work.checks += shown.values()
    rule = work.home.rule("socket_overload")
    chosen = str(rule.value) if rule is not None else ""
    socket = work.site.service.meter_socket
    if chosen in shown:
        one = shown[chosen]
        note = f"by the local rule ({rule.source.locator if rule.source else rule.note}): the reading {chosen}"
        work.checks.append(Check("adapter-load", asked, one.verdict, one.provided, one.relation, one.required, one.source, note))
        return
    verdicts = {name: one.verdict for name, one in shown.items()}
    words = "; ".join(f"{name} {one.provided.value:.1f} A {one.verdict}" for name, one in shown.items())
    plain = shown["calculated"]
    if all(verdict is Verdict.PASS for verdict in verdicts.values()):
        verdict, note = Verdict.PASS, f"by every reading: {words}"
    elif plain.verdict is Verdict.FAIL:
        verdict, note = Verdict.FAIL, f"even by the calculated load: {words}"
    else:
        verdict, note = Verdict.JUDGEMENT, f"the readings disagree: {words}; no local rule chooses one"
    if socket.maximum_use is not None and socket.maximum_use.value > socket.continuous.value:
        note += f"; the socket's maximum use of {socket.maximum_use.value:g} A is no continuous rating"
    closes, decides = (
        ("the utility's or the authority's reading as rule socket_overload", UTILITY) if verdict is Verdict.JUDGEMENT else ("", "")
    )
    work.checks.append(
        Check("adapter-load", asked, verdict, plain.provided, "<=", limit, plain.source, note, closes=closes, decides=decides)
    )


def _readings(work: Work, item) -> dict[str, Step]:
    """Load through adapter and socket by each reading [A]: calculated, with continuous load at 125 %, by the devices."""
    from workbook_lib.rules import service
    from workbook_lib.workbooks import service_load

    load = service_load.start(work.home, work.edition, local=False)
    answers, lacks = service_load.method_totals(load, load.scope.items)
    chosen = answers.get(load.method)
    if chosen is None:
        lack = lacks.get(load.method)
        raise MissingInput(lack.fields if lack else ["study.service_load_method"], lack.reason if lack else "")
    calculated = replace(
        service.load_current("adapter.load", chosen.total, load.voltage), meaning="load through the adapter, by the chosen load method"
    )
    parts = [one.va for one in load.scope.items if one.continuous]
    found = {"calculated": calculated}
    found["continuous"] = (
        service.continuous_current(calculated, parts, load.voltage, work.edition, key="adapter.load_continuous")
        if parts
        else Step(
            "adapter.load_continuous",
            "I_c",
            "load through the adapter, continuous load at 125 %",
            "load",
            {"load": calculated},
            calculated.value,
            "A",
            note="no load of this home is entered as continuous: the same as calculated",
            decimals=2,
        )
    )
    devices = [rating for _, rating in distribution.service_devices(work.tree)]
    own = distribution.amperes(item.overcurrent)
    devices += [own] if own is not None else []
    if any(one is None for one in devices):
        raise MissingInput(["panel.main"], "the rating of a service disconnect is not given")
    found["breakers"] = Step(
        "adapter.devices",
        "I_dev",
        "devices of the service and of the adapter",
        "sum(devices)",
        {"devices": tuple(devices)},
        sum(one.value for one in devices),
        "A",
        note="not the test where an exception for the service's overload protection is accepted",
    )
    return found
