"""What a sheet says, as text and as HTML, and that its numbers never mislead."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from tests import fake_sheet
from tests.conftest import ROOT
from workbook_lib import editions
from workbook_lib.errors import CalculationFault, Fault, InputFault
from workbook_lib.formula import evaluate
from workbook_lib.home import read_home
from workbook_lib.render import content, html, numbers, text
from workbook_lib.render.trace import Ref, Trace
from workbook_lib.sheet import Check, Input, Section, Step, Table, Verdict, compare
from workbook_lib.workbooks import service_load


def parts_of(sheet):
    """Every part that a notebook shows."""
    trace = Trace(sheet)
    whole = [content.title_block(sheet), content.verdict(trace), content.inputs(trace), content.assumptions(sheet), content.steps(trace)]
    whole += [content.checks(trace), content.open_items(sheet), content.cautions(sheet), content.not_checked(sheet)]
    whole += [content.results(trace), content.published((("annex-d", 3, 14, 47),))]
    return whole + [content.figure_table(figure) for figure in sheet.figures]


class Reader(HTMLParser):
    """Anchors, links and elements of a page, and whether every element is closed."""

    VOID = frozenset({"meta", "br", "wbr", "hr", "img", "link", "input", "path", "use", "rect"})

    def __init__(self, page: str):
        super().__init__()
        self.anchors: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.said: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.tags.append(tag)
        if "id" in found:
            self.anchors.append(found["id"])
        if "href" in found:
            self.links.append(found["href"])
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        self.said.append(data)


@pytest.fixture(scope="module")
def sheet():
    return fake_sheet.sheet()


@pytest.fixture(scope="module")
def markup(sheet):
    return "\n".join(html.fragment(part) for part in parts_of(sheet))


@pytest.fixture(scope="module")
def plain(sheet):
    return "\n".join(text.plain(part) for part in parts_of(sheet))


# numbers


@pytest.mark.parametrize(
    "value,decimals,shown",
    [
        (12000.0, 0, "12,000"),
        (121.16666, 1, "121.2"),
        (77.5, 0, "77.5"),
        (0.4, 0, "0.400"),
        (0.4, None, "0.4"),
        (0.1 + 0.2, None, "0.3"),
        (1496.18353, None, "1,496.18353"),
        (1496.183532145, None, "1,496.18"),
        (0.00012345678, None, "0.000123457"),
        (-21.25, 1, "−21.3"),
        (-0.0, 1, "0.0"),
        (1e-12, 0, "0"),
        (29999.9999999999, 0, "30,000"),
        (100.0, 1, "100.0"),
    ],
)
def test_numbers_keep_what_a_checker_needs(value, decimals, shown):
    assert numbers.number(value, decimals) == shown


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_not_a_number_is_not_printed(value):
    with pytest.raises(CalculationFault, match="finite"):
        numbers.number(value, 1)


def side(value: float, decimals: int | None = 1) -> Input:
    return Input("x", "x", value, "A", decimals=decimals)


@pytest.mark.parametrize("provided,relation,required", [(240.04, "<=", 240.0), (239.96, ">=", 240.0), (240.0004, "<=", 240.0)])
def test_rounding_never_hides_a_failed_inequality(provided, relation, required):
    check = compare("k", "q", side(provided), relation, side(required))
    assert check.verdict is Verdict.FAIL
    left, right, room = numbers.sides(check)
    printed = {"<=": numbers.read_back(left) <= numbers.read_back(right), ">=": numbers.read_back(left) >= numbers.read_back(right)}
    assert not printed[relation]
    assert numbers.read_back(room) < 0


@pytest.mark.parametrize("provided,required", [(239.96, 240.0), (0.30000000000000004, 0.3)])
def test_a_pass_prints_as_a_pass(provided, required):
    left, right, _ = numbers.sides(compare("k", "q", side(provided), "<=", side(required)))
    assert numbers.read_back(left) <= numbers.read_back(right)


def test_a_value_near_a_limit_is_told_apart_from_it():
    assert numbers.apart(100.04, 1, [100.0]) == "100.04"
    assert numbers.apart(100.0, 1, [100.0]) == "100.0"
    assert numbers.apart(95.7, 1, [100.0]) == "95.7"


UNITS = re.compile(r"(?<=[\d)]) (VA/ft²|ft²|kVA|VAh|VA|kW|Wh|W|Ah|A|V|s)(?![\w/])")
LISTED = re.compile(r"list c\d+: (?:… )?([\d., ]+?)(?: …)?(?=\))")
SPELLED = {"×": "*", "−": "-", "^": "**", "round to whole": "round_half_up"}
SPELLED |= {"next standard size": "next_standard", "standard size below": "previous_standard"}


def by_hand(line: str) -> float:
    """What a printed line gives to someone who has only the print: units dropped, a list as far as it is shown."""
    line = UNITS.sub("", re.sub(r"(?<=\d),(?=\d{3})", "", line))
    lists = {f"list_{n}": tuple(map(float, found.split(", "))) for n, found in enumerate(LISTED.findall(line))}
    for name in lists:
        line = LISTED.sub(name, line, count=1)
    for shown, meant in SPELLED.items():
        line = line.replace(shown, meant)
    line = re.sub(r"(.+) if (.+), else (.+)", r"(\1) if (\2) else (\3)", line).replace(" = ", " == ").replace("≤", "<=").replace("≥", ">=")
    return evaluate(line, lists)


def test_every_printed_line_works_out_by_hand(sheet):
    """The numbers of each line, read back from the print, give the printed result by the printed formula."""
    trace = Trace(sheet)
    for step in sheet.steps():
        assert numbers.value_text(by_hand(trace.numbers_line(step)), step.decimals) == numbers.bare(step), step.key


@pytest.mark.parametrize("site", sorted((ROOT / "example_inputs" / "sites").glob("*.toml")), ids=lambda path: path.stem)
def test_every_line_of_every_example_home_works_out_by_hand(site):
    home = read_home(site)
    sheet = service_load.study(home, editions.load(home.edition_year))
    trace = Trace(sheet)
    assert len(sheet.steps()) > 30
    for step in sheet.steps():
        line = trace.numbers_line(step)
        assert numbers.value_text(by_hand(line), step.decimals) == numbers.bare(step), (step.key, line)


def test_a_line_gets_the_digits_that_it_needs():
    part = fake_sheet.step("a", "a", "a third", "one / three", {"one": side(100.0), "three": side(3.0)}, "A")
    whole = fake_sheet.step("b", "b", "a thousand of them", "1000 * part", {"part": part}, "A", decimals=1)
    trace = Trace(replace(fake_sheet.sheet(), sections=()))
    assert trace.numbers_line(whole) == "1,000 × 33.3333"
    assert numbers.bare(whole) == "33,333.3"


# the trail


def test_every_step_and_input_has_one_anchor_and_every_link_leads_to_one(sheet, markup):
    reader = Reader(markup)
    assert not reader.open
    assert len(reader.anchors) == len(set(reader.anchors))
    trace = Trace(sheet)
    for item in (*sheet.steps(), *sheet.inputs()):
        assert trace.anchor(item) in reader.anchors
    inner = [link.removeprefix("#") for link in reader.links if link.startswith("#")]
    assert inner
    assert set(inner) <= set(reader.anchors)


def test_a_reader_gets_from_the_verdict_to_every_nameplate(sheet):
    trace = Trace(sheet)
    start = {ref.target for ref in content.check_sentence(trace, sheet.checks[0]) if isinstance(ref, Ref)}
    links = {trace.anchor(step): {ref.target for ref in trace.formula_line(step) if isinstance(ref, Ref)} for step in sheet.steps()}
    seen, ahead = set(), list(start)
    while ahead:
        anchor = ahead.pop()
        if anchor not in seen:
            seen.add(anchor)
            ahead += links.get(anchor, ())
    for key in ("dwelling.floor_area", "load.range.rating", "evse.evse-1.rating", "load.heat-pump.current", "service.rating"):
        assert trace.anchor(next(item for item in sheet.inputs() if item.key == key)) in seen


@pytest.mark.parametrize(
    "load,near",
    [(41.0, "… 40, 45, 50 …"), (11.0, "15, 20 …"), (99.0, "… 95, 100"), (20.0, "15, 20, 25 …"), (95.0, "… 90, 95, 100")],
)
def test_a_long_list_is_named_with_its_ends_and_shown_around_what_is_taken_from_it(load, near):
    sizes = Input("standard_ratings", "standard ratings", tuple(float(size) for size in range(15, 105, 5)), "A", "code")
    step = fake_sheet.step("s", "I", "next size", "next_standard(load, sizes)", {"load": side(load, 0), "sizes": sizes}, "A")
    trace = Trace(replace(fake_sheet.sheet(), sections=(), checks=(), results={"r": fake_sheet.Result(45.0, "A", step)}))
    assert trace.numbers_line(step) == f"next standard size({load:.0f}, list c1: {near})"
    assert "list of 18: 15 to 100 A" in text.plain(content.inputs(trace))
    assert "45, 50, 55" not in text.plain(content.inputs(trace))


def test_units_stand_in_a_line_where_they_differ_and_nowhere_else():
    watts, volts = Input("p", "power", 1440.0, "VA"), Input("u", "voltage", 120.0, "V")
    current = fake_sheet.step("i", "I", "current", "power / voltage", {"power": watts, "voltage": volts}, "A", decimals=1)
    twice = fake_sheet.step("t", "I", "twice", "sum(parts)", {"parts": (current, current)}, "A", decimals=1)
    trace = Trace(replace(fake_sheet.sheet(), sections=()))
    assert trace.numbers_line(current) == "1,440 VA / 120 V"
    assert trace.numbers_line(twice) == "12.0 + 12.0"


def test_equal_inputs_stand_once_and_unlike_ones_of_one_key_apart():
    twice = [Input("k", "value of the code", 3.0, "VA", "code"), Input("k", "value of the code", 3.0, "VA", "code")]
    other = Input("k", "value of the code", 5.0, "VA", "code")
    uses = {"a": twice[0], "b": twice[1], "c": other}
    step = Step("s", "S", "sum", "a + b + c", uses, 11.0, "VA")
    trace = Trace(replace(fake_sheet.sheet(), sections=(), checks=(), results={"r": fake_sheet.Result(11.0, "VA", step)}))
    assert trace.anchor(twice[0]) == trace.anchor(twice[1]) != trace.anchor(other)
    assert [item.value for item in trace.code_inputs] == [3.0, 5.0]


def test_a_step_stands_in_the_first_section_that_needs_it(sheet):
    trace = Trace(sheet)
    shown = [step.key for group in trace.groups for step in group.steps]
    assert len(shown) == len(set(shown)) == len(sheet.steps())
    assert [trace.number(step) for group in trace.groups for step in group.steps] == [str(n) for n in range(1, len(shown) + 1)]


# what stands on the sheet


def test_title_block_names_everything(markup, plain):
    for words in ("fennel-7", "7 Fennel Row, Amble Ford", "amble-light", fake_sheet.HEADER.inputs_sha256, "2026-03-02", "none named"):
        assert words in markup
        assert words in plain


def test_a_what_if_says_so_and_an_adopted_edition_does_not(markup):
    words = "WHAT-IF: not the adopted edition"
    assert words not in markup
    sheet = fake_sheet.sheet(basis="what-if", edition="2026")
    assert words in html.fragment(content.title_block(sheet))
    assert words in text.plain(content.title_block(sheet)).replace("WHAT-IF: NOT THE ADOPTED EDITION", words)


def test_a_failed_check_reads_as_a_sentence_with_its_shortage():
    load, limit = side(121.1666), Input("service.rating", "service rating", 100.0, "A")
    check = compare("service-capacity", "does it carry the load?", load, "<=", limit, fake_sheet.nec("220.83(B)"))
    sheet = replace(fake_sheet.sheet(), checks=(check,))
    said = " ".join(text.plain(content.verdict(Trace(sheet))).split())
    assert "*** FAIL *** Does it carry the load? No." in said
    assert re.search(r"x 121.2 A \[i\d+\] is more than service rating 100 A \[i\d+\], short by 21.2 A \(NEC 2023 220.83\(B\)\)", said)


def test_a_judgement_still_shows_the_tightest_number(plain):
    assert "Controlling check: Were the values under the verdict verified in the field: left to judgement." in plain
    assert "Tightest of the numbers that count: ampacity of the service conductors 100 A" in " ".join(plain.split())


def test_a_pass_answers_the_question_of_the_sheet_and_gives_the_first_results():
    check = compare("k", "is it enough?", side(80.0), "<=", side(80.0))
    sheet = replace(fake_sheet.sheet(), checks=(check,))
    said = " ".join(text.plain(content.verdict(Trace(sheet))).split())
    assert "*** PASS *** Yes: every check that counts holds." in said
    assert re.search(r"is within x 80.0 A \[i\d+\], with nothing to spare", said)
    assert "Existing dwelling branch B" in said


def test_sections_beside_the_calculation_have_no_steps(sheet):
    beside = Section("Other editions", (), "In words.", Table(("Edition", "Load (A)"), (("2020", 77.0), ("2023", 80.0)), "By edition", 1))
    said = text.plain(content.sections("editions", "Editions", (beside,)))
    assert "In words." in said
    assert re.search(r"2020 +77\n", said)
    with pytest.raises(ValueError, match="steps"):
        content.sections("editions", "Editions", (sheet.sections[0],))


def test_an_assumed_value_stands_with_the_value_at_which_the_verdict_turns(sheet):
    turning = Section("Assumed values", (), "Each alone.", Table(("Field", "Turns at"), (("load.x.rating", "4.1 kW"),)))
    said = text.plain(content.assumptions(sheet, turning))
    assert "one range" in said
    assert "4.1 kW" in said


def test_alternatives_are_marked_and_come_after_what_decides(markup):
    table = markup[markup.index("Checks, those that decide first") :]
    assert table.count("(shown, does not decide)") >= 2
    assert table.index("utility&#x27;s limit") < table.index("(shown, does not decide)")


def test_what_is_not_confirmed_or_assumed_is_marked_in_words(markup, plain):
    for words in ("NOT CONFIRMED: from memory", "NOT CONFIRMED", "ASSUMED"):
        assert f'<strong class="wb-flag">{words}</strong>' in markup
        assert words in plain
    assert "[c4, from memory]" in markup
    assert "assumed]" in markup


def test_open_items_say_what_closes_them_and_who_decides(plain):
    said = " ".join(plain.split())
    assert "photograph of the conductor's marking" in said
    assert "plan reviewer" in said
    assert "enter load.range.leg, load.dryer.leg" in said


def test_text_and_html_say_the_same_words(sheet):
    for part in parts_of(sheet):
        said = " ".join(Reader(html.fragment(part)).said)
        squeezed = re.sub(r"[\W_]+", "", said).lower()
        for word in set(re.findall(r"[A-Za-z0-9]{3,}", text.plain(part).split("\n", 1)[-1])):
            assert word.lower() in squeezed, (part.name, word)


def test_everything_is_escaped(sheet):
    nasty = '<script>alert(1)</script> & "quoted" <b onload=x>'
    bad = Input(nasty, nasty, nasty, nasty, nasty, nasty, nasty)
    step = Step(nasty, nasty, nasty, "a", {"a": replace(side(1.0), meaning=nasty, key=nasty)}, 1.0, nasty, fake_sheet.nec(nasty), nasty)
    check = Check(nasty, nasty, Verdict.JUDGEMENT, bad, nasty, bad, fake_sheet.nec(nasty), nasty, closes=nasty, decides=nasty)
    header = replace(sheet.header, address=nasty, site_id=nasty, amendments=nasty)
    spoilt = replace(
        sheet,
        title=nasty,
        question=nasty,
        header=header,
        checks=(check,),
        results={nasty: fake_sheet.Result(1.0, nasty, step)},
        sections=(fake_sheet.Section(nasty, (step,), nasty, fake_sheet.Table((nasty,), ((nasty,),), nasty)),),
        assumptions=(fake_sheet.Assumption(nasty, nasty),),
        cautions=(nasty,),
        not_checked=(nasty,),
    )
    page = "\n".join(html.fragment(part) for part in parts_of(spoilt))
    reader = Reader(page)
    assert "script" not in reader.tags
    assert "b" not in [tag for tag, attribute in re.findall(r"<(b) (onload)", page)]
    assert "<script" not in page
    assert "alert(1)" in page


def test_faults_are_shown_one_by_one():
    faults = InputFault([Fault("a.toml", "x.y", "unknown field", "z", "one of a, b"), Fault("a.toml", "x.<z>", "missing")])
    assert html.faults(faults).count("<li>") == 2
    assert "x.&lt;z&gt;" in html.faults(faults)
    assert text.faults(faults).splitlines()[1:] == [str(fault) for fault in faults.faults]
    assert "220.55" in html.faults(CalculationFault("no row", where="220.55"))
