"""What stands in a home: conductors, loads, panels, feeders, sources, storage, charging, control.

Attribute names are the names of the site file; a Python keyword gets a trailing underscore. Numbers
and judged choices are `Input`s in house units (None where the file does not say), yes/no facts are
`Flag`s, ids, kinds, statuses, roles and references are plain text.
"""

from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import Field

from workbook_lib.home.fields import (
    Choice,
    Clock,
    Count,
    Day,
    Factor,
    FilePath,
    Fraction,
    Fractions,
    Id,
    Months,
    Number,
    Numbers,
    Reference,
    Text,
    Texts,
    Word,
    YesNo,
)
from workbook_lib.home.leaf import AllRows, Given, Limit, Record
from workbook_lib.sheet import Input

STATUSES = ("existing", "added", "removed")
LOAD_KINDS = (
    *("range", "cooktop", "oven", "dryer", "water-heater", "dishwasher", "disposer", "microwave", "well-pump", "pool-pump", "spa", "motor"),
    *("fastened", "air-conditioner", "room-air-conditioner", "heat-pump", "supplemental-heat", "electric-heat", "thermal-storage"),
    *("hvac-fan", "plug", "calculated"),
)
COOKING_KINDS = ("range", "cooktop", "oven")
AWG_SIZES = ("18", "16", "14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0")
KCMIL_SIZES = ("250", "300", "350", "400", "500", "600", "700", "750", "800", "900", "1000", "1250", "1500", "1750", "2000")
INSULATIONS = (
    *("TW", "UF", "THW", "THW-2", "THWN", "THWN-2", "THHN", "THHW", "XHH", "XHHW", "XHHW-2", "RHH", "RHW", "RHW-2", "USE", "USE-2"),
    *("NM-B", "UF-B", "SE", "SER", "SEU", "MC", "AC"),
)
PLACES = ("outside", "inside")
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
EVIDENCE = (
    *("utility-approval", "utility-consent", "condition", "access-restricted", "limiters", "spacing-test", "commissioned"),
    "authority-decision",
)
NOMINAL = "nameplates of 120/240 V equipment lie between"
ONE_FAMILY = "larger is not a one-family service"

BUS_A = Limit(above=0, at_most=1200, why="a dwelling panel; larger is another job")
DEVICE_A = Limit(above=0, at_most=1200, why=ONE_FAMILY)
LOAD_A = Limit(above=0, at_most=400, why=ONE_FAMILY)
START_A = Limit(above=0, at_most=3000, why="locked-rotor current of a dwelling motor")
FAULT_A = Limit(above=0, at_most=300000, why="highest standard interrupting rating is 200 kA")
LOAD_VA = Limit(above=0, at_most=200000, why=ONE_FAMILY)
POWER_W = Limit(above=0, at_most=200000, why=ONE_FAMILY)
LOAD_V = Limit(at_least=100, at_most=250, why=NOMINAL)
LENGTH_FT = Limit(above=0, at_most=5000, why="a run at a dwelling")
REACTION_S = Limit(at_least=0, at_most=600, why="slower is no control of a current")
SHORT_S = Limit(at_least=0, at_most=86400, why="a day")
UNITS = Limit(at_least=1, at_most=200, why="units of one kind")
SHARE = Limit(above=0, at_most=1)

Status = Annotated[str, Word("status", STATUSES)]
Model = Annotated[str | None, Text("model")]
DataSheet = Annotated[str | None, FilePath("data sheet")]
ListedTo = Annotated[tuple[str, ...], Texts("standards it is listed to")]


@dataclass(frozen=True)
class Size(Choice):
    """A conductor size as text, AWG or kcmil."""

    choices: tuple[str, ...] = AWG_SIZES + KCMIL_SIZES
    none: bool = False

    def __post_init__(self) -> None:
        if self.none:
            object.__setattr__(self, "choices", (*self.choices, "none"))

    def accepted(self) -> str:
        words = 'a standard size as text: AWG "14" to "4/0" or kcmil "250" to "2000"'
        return words + ', or "none"' if self.none else words

    def example(self) -> str:
        return '"6", "1/0" or "250"'


class Conductor(Record):
    """The set of conductors that leads to the thing it is written at, from the utility's side."""

    size: Annotated[Given, Size("conductor size")] = None
    material: Annotated[Given, Choice("conductor material", ("Cu", "Al"))] = None
    insulation: Annotated[Given, Choice("insulation", INSULATIONS)] = None
    sets: Annotated[Given, Count("sets in parallel", Limit(at_least=1, at_most=6))] = None
    neutral: Annotated[Given, Size("neutral size", none=True)] = None
    grounding: Annotated[Given, Size("equipment grounding conductor", none=True)] = None
    length: Annotated[Given, Number("length one way", "length", LENGTH_FT)] = None
    terminals: Annotated[Given, Number("terminal temperature", "temperature", allowed=(60, 75, 90))] = None
    raceway: Annotated[str | None, Reference("raceway")] = None
    place: Annotated[Given, Choice("place of the run", PLACES)] = None


OutageFrom = Annotated[Given, Clock("runs from, in an outage")]
OutageUntil = Annotated[Given, Clock("runs until, in an outage")]
OutageMonths = Annotated[Given, Months("months in which it runs, in an outage")]


class Load(Record):
    """A thing that takes power, one row a separately controlled unit (or `count` like units)."""

    id: Annotated[str, Id()]
    kind: Annotated[str, Word("kind of load", LOAD_KINDS)]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    rating: Annotated[Given, Number("nameplate rating", "load power", LOAD_VA)] = None
    current: Annotated[Given, Numbers("nameplate current", "current", LOAD_A)] = None
    voltage: Annotated[Given, Number("nameplate voltage", "voltage", LOAD_V)] = None
    count: Annotated[Given, Count("number of like units", UNITS)] = None
    leg: Annotated[Given, Choice("leg", ("A", "B"))] = None
    neutral: Annotated[Given, YesNo("uses the neutral")] = None
    continuous: Annotated[Given, YesNo("continuous load")] = None
    runs_in: Annotated[Given, Choice("season it runs in", ("heating", "cooling", "both"))] = None
    one_at_a_time: Annotated[str | None, Text("group of which one runs at a time")] = None
    motor_power: Annotated[Given, Number("motor power", "motor power", Limit(above=0, at_most=50, why="a dwelling motor"))] = None
    locked_rotor_current: Annotated[Given, Number("locked-rotor current", "current", START_A)] = None
    locked_rotor_code: Annotated[Given, Choice("locked-rotor code letter", tuple("ABCDEFGHJKLMNPRSTUV"))] = None
    soft_start_current: Annotated[Given, Number("starting current with soft starter", "current", START_A)] = None
    start_time: Annotated[Given, Number("starting time", "time", Limit(above=0, at_most=120, why="longer is not a start"))] = None
    minimum_current: Annotated[Given, Number("least current under control", "current", Limit(at_least=0, at_most=400))] = None
    fallback_current: Annotated[Given, Number("current on loss of control", "current", Limit(at_least=0, at_most=400))] = None
    running_power: Annotated[Given, Number("running power", "real power", POWER_W)] = None
    daily_energy: Annotated[Given, Number("energy a day", "energy", Limit(at_least=0, at_most=500))] = None
    daily_from: Annotated[Given, Clock("runs from, on an ordinary day")] = None
    daily_until: Annotated[Given, Clock("runs until, on an ordinary day")] = None
    starting_power: Annotated[Given, Number("starting power", "real power", POWER_W)] = None
    outage_energy_per_day: Annotated[Given, Number("energy a day in an outage", "energy", Limit(at_least=0, at_most=500))] = None
    outage_from: OutageFrom = None
    outage_until: OutageUntil = None
    outage_months: OutageMonths = None
    backup_tier: Annotated[Given, Count("backup tier (1 is kept longest)", Limit(at_least=1, at_most=9))] = None
    shed_by: Annotated[str | None, Reference("control that sheds it")] = None

    @property
    def currents(self) -> tuple[Input, ...]:
        """Nameplate currents [A], one Input each, where `current` is a number or a list; empty where absent."""
        given = self.current
        if given is None or not isinstance(given.value, tuple):
            return () if given is None else (given,)
        return tuple(
            replace(given, key=f"{given.key}.{index}", meaning=f"{given.meaning} {index + 1}", value=value, text=f"{value:g} A")
            for index, value in enumerate(given.value)
        )


class Evse(Record):
    """A unit that charges a vehicle."""

    id: Annotated[str, Id()]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    rating: Annotated[Given, Number("charger rating", "current", LOAD_A)] = None
    voltage: Annotated[Given, Number("charger voltage", "voltage", LOAD_V)] = None
    setting: Annotated[Given, Number("current set on the unit", "current", LOAD_A)] = None
    setting_access: Annotated[Given, Choice("access to the setting", ("restricted", "user"))] = None
    minimum_current: Annotated[Given, Number("least charging current", "current", Limit(at_least=0, at_most=400))] = None
    fallback_current: Annotated[Given, Number("current on loss of control", "current", Limit(at_least=0, at_most=400))] = None
    relabelled: Annotated[Given, YesNo("the adjusted rating stands on its label")] = None
    connection: Annotated[Given, Choice("connection", ("hard-wired", "receptacle"))] = None
    receptacle: Annotated[Given, Number("rating of its receptacle", "current", LOAD_A)] = None
    stops_after: Annotated[Given, Number("stops a vehicle that draws too much after", "time", REACTION_S)] = None
    most_starts_per_hour: Annotated[Given, Count("starts in an hour that are allowed", Limit(at_least=1, at_most=3600))] = None
    continuous: Annotated[Given, YesNo("continuous load")] = None
    neutral: Annotated[Given, YesNo("uses the neutral")] = None
    leg: Annotated[Given, Choice("leg", ("A", "B"))] = None
    export: Annotated[Given, YesNo("exports from the vehicle", "vehicle export is not covered")] = None
    outage_energy_per_day: Annotated[Given, Number("energy a day in an outage", "energy", Limit(at_least=0, at_most=500))] = None
    outage_from: OutageFrom = None
    outage_until: OutageUntil = None
    outage_months: OutageMonths = None
    backup_tier: Annotated[Given, Count("backup tier (1 is kept longest)", Limit(at_least=1, at_most=9))] = None
    shed_by: Annotated[str | None, Reference("control that sheds it")] = None
    listed_to: ListedTo = ()
    model: Model = None
    data_sheet: DataSheet = None
    conductor: Conductor | None = None


class Vehicle(Record):
    """A vehicle that one charger serves, and what it needs by morning."""

    evse: Annotated[str, Reference("charger")]
    need_per_night: Annotated[Given, Number("energy needed a night", "energy", Limit(above=0, at_most=300))] = None
    arrive: Annotated[Given, Clock("arrives")] = None
    depart: Annotated[Given, Clock("departs")] = None
    onboard_current: Annotated[Given, Number("on-board charger current", "current", LOAD_A)] = None
    response: Annotated[Given, Number("response time", "time", SHORT_S)] = None
    ramp_time: Annotated[Given, Number("time from its full current to none", "time", SHORT_S)] = None
    taper_energy: Annotated[Given, Number("energy of the last part, in which it tapers", "energy", Limit(at_least=0, at_most=100))] = None
    plugged_in_on: Annotated[tuple[str, ...], Texts("days on which it is plugged in", WEEKDAYS)] = ()
    battery_energy: Annotated[Given, Number("energy of its battery", "energy", Limit(above=0, at_most=500))] = None
    need_share: Annotated[Given, Fraction("share of the nights that must meet the need", limit=SHARE)] = None
    miles_per_kwh: Annotated[Given, Factor("miles that it drives on a kilowatt-hour", limit=Limit(above=0, at_most=20))] = None


class Raceway(Record):
    """A raceway or cable that conductors share."""

    id: Annotated[str, Id()]
    kind: Annotated[str, Word("kind of raceway", ("EMT", "PVC-40", "PVC-80", "RMC", "FMC", "cable"))]
    size: Annotated[
        Given, Choice("trade size", ("3/8", "1/2", "3/4", "1", "1-1/4", "1-1/2", "2", "2-1/2", "3", "3-1/2", "4", "5", "6"))
    ] = None
    ambient: Annotated[Given, Number("ambient temperature", "temperature", Limit(at_least=-50, at_most=80, why="air around a run"))] = None
    above_roof: Annotated[Given, Number("height above a roof in sun", "length", Limit(at_least=0, at_most=50), words=("none",))] = None
    other_current_carrying: Annotated[Given, Count("other current-carrying conductors in it", Limit(at_least=0, at_most=100))] = None


class Disconnect(Record):
    """A switch or enclosed device that stands apart from a panel."""

    id: Annotated[str, Id()]
    role: Annotated[str, Word("role", ("service", "emergency", "source", "utility", "storage", "storage-shutdown"))]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    rating: Annotated[Given, Number("switch rating", "current", DEVICE_A)] = None
    fuse: Annotated[Given, Number("fuse or breaker in it", "current", DEVICE_A, words=("none",))] = None
    short_circuit_rating: Annotated[Given, Number("short-circuit rating", "fault current", FAULT_A)] = None
    interrupting_rating: Annotated[Given, Number("interrupting rating", "fault current", FAULT_A)] = None
    enclosure: Annotated[str | None, Text("enclosure it stands in")] = None
    place: Annotated[Given, Choice("place", PLACES)] = None
    in_sight_of: Annotated[str | None, Reference("in sight of")] = None
    distance: Annotated[Given, Number("distance to what it stands in sight of", "length", Limit(at_least=0, at_most=1000))] = None
    lockable: Annotated[Given, YesNo("lockable open")] = None
    grouped_with_service: Annotated[Given, YesNo("grouped with the service disconnects")] = None
    neutral_bonded: Annotated[Given, YesNo("neutral bonded here")] = None
    tap_in: Annotated[Given, Choice("tap made in", ("service-equipment", "gutter", "junction-box", "meter-enclosure"))] = None
    service_rated: Annotated[Given, YesNo("suitable as service equipment")] = None
    model: Model = None
    conductor: Conductor | None = None


class Evidence(Record):
    """A document that shows something about a thing of this home."""

    for_: Annotated[str, Reference("what it is about")] = Field(alias="for")
    shows: Annotated[str, Word("what it shows", EVIDENCE)]
    by: Annotated[str | None, Text("who says so")] = None
    document: Annotated[str | None, FilePath("document")] = None
    date: Annotated[object, Day("date")] = None


class Breaker(Record):
    """An overcurrent device on a panel's bus."""

    id: Annotated[str, Id()]
    status: Status
    rating: Annotated[Given, Number("breaker rating", "current", DEVICE_A)] = None
    poles: Annotated[Given, Count("poles", Limit(at_least=1, at_most=2, why="single-phase service"))] = None
    leg: Annotated[Given, Choice("leg", ("A", "B"))] = None
    position: Annotated[Given, Choice("position on the bus", ("top", "middle", "bottom"))] = None
    multiwire: Annotated[Given, YesNo("feeds a multiwire circuit")] = None
    tandem: Annotated[Given, YesNo("tandem: each pole takes half a space")] = None
    backfeed: Annotated[Given, Choice("suitability for backfeed", ("suitable", "line-load-marked", "unknown"))] = None
    hold_down: Annotated[Given, YesNo("held down by a fastener")] = None


class Serves(Record):
    """The part of the dwelling whose lighting, receptacles and circuits one panel serves."""

    floor_area: Annotated[Given, Number("floor area served", "area", Limit(at_least=0, at_most=50000))] = None
    small_appliance_circuits: Annotated[Given, Count("small-appliance circuits served", Limit(at_least=0, at_most=40))] = None
    laundry_circuits: Annotated[Given, Count("laundry circuits served", Limit(at_least=0, at_most=40))] = None


class Panel(Record):
    """A panelboard or other enclosure with a bus."""

    id: Annotated[str, Id()]
    kind: Annotated[str, Word("kind of panel", ("panelboard", "meter-main", "combiner", "split-bus"))]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    bus: Annotated[Given, Number("busbar rating", "current", BUS_A)] = None
    main: Annotated[Given, Number("main breaker", "current", DEVICE_A, words=("none",))] = None
    feed: Annotated[Given, Choice("feed position", ("top", "bottom", "centre"))] = None
    feed_through: Annotated[Given, YesNo("feed-through lugs")] = None
    bus_rule: Annotated[Given, Choice("bus rule relied on", ("sum", "120", "centre", "breakers", "feed-through", "engineered"))] = None
    interrupting_rating: Annotated[Given, Number("interrupting rating", "fault current", FAULT_A)] = None
    spaces: Annotated[Given, Count("spaces", Limit(at_least=1, at_most=84))] = None
    breakers_listed: Annotated[Given, Choice("how many of its breakers are listed here", ("all", "some"))] = None
    neutral_bonded: Annotated[Given, YesNo("neutral bonded here")] = None
    model: Model = None
    serves: Serves | None = None
    conductor: Conductor | None = None
    breakers: Annotated[tuple[Breaker, ...], AllRows] = ()


class Feeder(Record):
    """Conductors from an overcurrent device to what hangs below."""

    id: Annotated[str, Id()]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    entire_dwelling_load: Annotated[Given, YesNo("carries the entire load of the dwelling")] = None
    load_side_device: Annotated[Given, Number("device just after a source along it", "current", DEVICE_A, words=("none",))] = None
    conductor: Conductor | None = None


class Array(Record):
    """Modules of one tilt and azimuth."""

    dc_power: Annotated[Given, Number("array power", "real power", POWER_W)] = None
    tilt: Annotated[Given, Number("tilt from level", "angle", Limit(at_least=0, at_most=90))] = None
    azimuth: Annotated[Given, Number("azimuth clockwise from true north", "angle", Limit(at_least=0, at_most=360))] = None
    loss_fraction: Annotated[Given, Fraction("losses of the array", limit=Limit(at_least=0, at_most=0.9))] = None
    monthly_fraction: Annotated[Given, Fractions("part left by shading and snow, by month")] = None
    power_loss_per_degc: Annotated[Given, Fraction("power lost a kelvin of the cells", limit=Limit(at_least=0, at_most=0.01))] = None
    mounting: Annotated[Given, Choice("mounting", ("close-mount", "open-rack", "insulated-back"))] = None
    rapid_shutdown: Annotated[Given, YesNo("rapid shutdown")] = None


class Island(Record):
    """What a multimode inverter does while islanded."""

    form: Annotated[Given, Choice("voltages formed", ("120/240", "240", "120"))] = None
    current: Annotated[Given, Number("islanded current", "current", LOAD_A)] = None
    leg_current: Annotated[Given, Number("islanded current of one leg", "current", LOAD_A)] = None
    neutral_current: Annotated[Given, Number("islanded neutral current", "current", Limit(at_least=0, at_most=400))] = None
    peak_current: Annotated[Given, Number("peak current", "current", START_A)] = None
    peak_duration: Annotated[Given, Number("duration of the peak", "time", Limit(above=0, at_most=3600))] = None
    derate_fraction: Annotated[Given, Fraction("part of its rating left at the place's temperature", limit=SHARE)] = None
    pv_power: Annotated[Given, Number("largest PV on its island", "real power", Limit(at_least=0, at_most=200000))] = None
    surplus: Annotated[Given, Choice("what arrays do with sun that nothing takes", ("ramp", "trip"))] = None
    dead_start: Annotated[Given, Choice("what brings it back after it has stopped", ("sun", "grid"))] = None
    impedance: Annotated[Given, Number("impedance between the legs while islanded", "impedance", Limit(at_least=0, at_most=10))] = None
    voltage_dip_limit: Annotated[Given, Fraction("largest voltage dip as a motor starts", limit=Limit(above=0, at_most=0.5))] = None
    restart: Annotated[Given, Choice("restart after overload", ("manual", "automatic"))] = None
    neutral_bonded: Annotated[Given, YesNo("bonds the neutral while islanded")] = None


class Source(Record):
    """An inverter on the home's side of the utility."""

    id: Annotated[str, Id()]
    kind: Annotated[
        str,
        Word(
            "kind of source",
            ("pv-inverter", "storage-inverter", "multimode-inverter"),
            {"generator": "standby generators are not covered", "standby-generator": "standby generators are not covered"},
        ),
    ]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    count: Annotated[Given, Count("number of like units", UNITS)] = None
    model: Model = None
    data_sheet: DataSheet = None
    listed_to: ListedTo = ()
    output_current: Annotated[Given, Number("rated continuous output current", "current", LOAD_A)] = None
    output_power: Annotated[Given, Number("rated output power", "real power", POWER_W)] = None
    input_current: Annotated[Given, Number("charging current taken from AC", "current", Limit(at_least=0, at_most=400))] = None
    charges_from: Annotated[Given, Choice("charges from", ("utility", "solar-only"))] = None
    fallback_current: Annotated[Given, Number("charging current on loss of control", "current", Limit(at_least=0, at_most=400))] = None
    maximum_overcurrent_device: Annotated[Given, Number("largest overcurrent device allowed", "current", DEVICE_A)] = None
    neutral: Annotated[Given, Choice("use of the neutral", ("none", "instrumentation", "loaded"))] = None
    pass_through_current: Annotated[Given, Number("pass-through current", "current", DEVICE_A)] = None
    short_circuit_rating: Annotated[Given, Number("short-circuit rating of its islanding switch", "fault current", FAULT_A)] = None
    fault_current: Annotated[Given, Number("fault current that it feeds", "fault current", FAULT_A)] = None
    conversion_efficiency: Annotated[Given, Fraction("nominal efficiency from direct to alternating current", limit=SHARE)] = None
    array: Annotated[tuple[Array, ...], AllRows] = ()
    island: Island | None = None
    conductor: Conductor | None = None


class PowerAt(Record):
    """The power of one store at one charge; between such points it runs straight."""

    charge_fraction: Annotated[Given, Fraction("charge, of usable")]
    power: Annotated[Given, Number("power at that charge", "real power", Limit(at_least=0, at_most=200000))]


class Storage(Record):
    """A store of energy behind an inverter."""

    id: Annotated[str, Id()]
    inverter: Annotated[str, Reference("inverter")]
    status: Status
    count: Annotated[Given, Count("number of like units", UNITS)] = None
    energy: Annotated[Given, Number("nameplate energy of one", "energy", Limit(above=0, at_most=1000))] = None
    usable_fraction: Annotated[Given, Fraction("usable part of its energy", limit=SHARE)] = None
    health_fraction: Annotated[Given, Fraction("capacity left at the age studied", limit=SHARE)] = None
    years: Annotated[Given, Factor("age studied, in years", limit=Limit(at_least=0, at_most=40))] = None
    fade_per_year: Annotated[Given, Fraction("capacity lost a year", limit=Limit(at_least=0, at_most=0.2))] = None
    cycles: Annotated[Given, Factor("cycles done at the age studied", limit=Limit(at_least=0, at_most=100000))] = None
    fade_per_cycle: Annotated[Given, Fraction("capacity lost a cycle", limit=Limit(at_least=0, at_most=0.01))] = None
    temperature_fraction: Annotated[Given, Fraction("capacity left at the place's temperature", limit=SHARE)] = None
    roundtrip_efficiency: Annotated[Given, Fraction("round-trip efficiency", limit=SHARE)] = None
    discharge_efficiency: Annotated[Given, Fraction("discharge efficiency", limit=SHARE)] = None
    standby_loss: Annotated[Given, Number("standby loss", "real power", Limit(at_least=0, at_most=5000))] = None
    self_discharge_per_month: Annotated[Given, Fraction("charge lost a month", limit=Limit(at_least=0, at_most=0.5))] = None
    discharge_power: Annotated[Given, Number("discharge power", "real power", POWER_W)] = None
    charge_power: Annotated[Given, Number("charge power", "real power", POWER_W)] = None
    power_fraction: Annotated[Given, Fraction("part of its power left at the place's temperature", limit=SHARE)] = None
    discharge_limit: Annotated[tuple[PowerAt, ...], AllRows] = ()
    charge_limit: Annotated[tuple[PowerAt, ...], AllRows] = ()
    cutoff_fraction: Annotated[Given, Fraction("charge at which it stops in an outage, of usable")] = None
    restart_fraction: Annotated[Given, Fraction("charge at which it restarts, of usable")] = None
    reserve_fraction: Annotated[Given, Fraction("charge kept for outages, of usable")] = None
    operation: Annotated[Given, Choice("operation", ("hold-full", "self-consumption", "time-of-use"))] = None
    discharge_from: Annotated[Given, Clock("discharges from")] = None
    discharge_until: Annotated[Given, Clock("discharges until")] = None
    integral_disconnect: Annotated[Given, YesNo("its disconnecting means is part of it")] = None
    location: Annotated[
        Given,
        Choice("location", ("living-space", "utility-closet", "attached-garage", "exterior-wall", "outdoors", "detached")),
    ] = None
    distance_between: Annotated[Given, Number("distance between units", "length", Limit(at_least=0, at_most=1000))] = None
    distance_to_openings: Annotated[Given, Number("distance to doors and windows", "length", Limit(at_least=0, at_most=1000))] = None
    vehicle_path: Annotated[Given, YesNo("in the path of a vehicle")] = None
    vehicle_barrier: Annotated[Given, YesNo("protected from vehicles")] = None
    detection: Annotated[Given, YesNo("smoke alarm, or heat detector, where it stands")] = None
    continuous: Annotated[Given, YesNo("charging is a continuous load")] = None
    neutral: Annotated[Given, YesNo("charging uses the neutral")] = None
    listed_to: ListedTo = ()
    model: Model = None
    data_sheet: DataSheet = None


class ControlLimit(Record):
    """One limit that a control holds: where, which way, at what current."""

    at: Annotated[str, Reference("place of the limit")]
    way: Annotated[str, Word("what is limited", ("import", "export", "bus", "output", "island"))]
    setting: Annotated[Given, Number("control setting", "current", Limit(at_least=0, at_most=1200))] = None


class Control(Record):
    """A system that limits current by controlling what it is connected to."""

    id: Annotated[str, Id()]
    status: Status
    listed_to: ListedTo = ()
    controls: Annotated[tuple[str, ...], Texts("what it controls")] = ()
    limit: Annotated[tuple[ControlLimit, ...], AllRows] = ()
    access: Annotated[Given, Choice("access to its settings", ("restricted", "user"))] = None
    sample: Annotated[Given, Number("sampling interval", "time", REACTION_S)] = None
    response: Annotated[Given, Number("response time", "time", SHORT_S)] = None
    raise_delay: Annotated[Given, Number("delay before raising", "time", SHORT_S)] = None
    minimum_off: Annotated[Given, Number("least time off", "time", SHORT_S)] = None
    dead_band: Annotated[Given, Number("dead band", "current", Limit(at_least=0, at_most=400))] = None
    allowed_time_above: Annotated[Given, Number("time above the setting that is allowed", "time", SHORT_S)] = None
    dead_band_on: Annotated[Given, Choice("what its dead band holds back", ("raise", "both"))] = None
    action: Annotated[Given, Choice("what it does with a charger", ("modulate", "shed"))] = None
    sharing: Annotated[Given, Choice("how chargers share", ("equal", "priority", "first-come"))] = None
    filter_time: Annotated[Given, Number("time constant of its filter", "time", SHORT_S)] = None
    sensor_delay: Annotated[Given, Number("delay of its sensor", "time", SHORT_S)] = None
    step: Annotated[Given, Number("step of the pilot", "current", Limit(at_least=0, at_most=80))] = None
    minimum_on: Annotated[Given, Number("least time on", "time", SHORT_S)] = None
    restart_spread: Annotated[Given, Number("spread of its restarts", "time", SHORT_S)] = None
    lost_after: Annotated[Given, Number("time until a lost signal is acted on", "time", SHORT_S)] = None
    sensor_at: Annotated[str | None, Text("place of its sensors")] = None
    sensor_ratio: Annotated[str | None, Text("ratio of its sensors")] = None
    settings_held_by: Annotated[str | None, Text("who holds the access to its settings")] = None
    model: Model = None
    data_sheet: DataSheet = None


class Transfer(Record):
    """A change-over device between the utility and what is backed up."""

    id: Annotated[str, Id()]
    connected_to: Annotated[str, Reference("connected to")]
    status: Status
    rating: Annotated[Given, Number("transfer device rating", "current", DEVICE_A)] = None
    short_circuit_rating: Annotated[Given, Number("short-circuit rating", "fault current", FAULT_A)] = None
    neutral: Annotated[Given, Choice("neutral", ("solid", "switched"))] = None
    neutral_bonded: Annotated[Given, YesNo("neutral bonded here")] = None
    model: Model = None
    conductor: Conductor | None = None
