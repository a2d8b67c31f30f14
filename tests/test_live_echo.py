"""A press is taken once what was typed before it has come."""

from __future__ import annotations

import asyncio

from workbook_lib.live import echo
from workbook_lib.live.echo import Echo, settled
from workbook_lib.live.rows import Kit


def boxed(echo_of: Echo) -> tuple:
    """The hidden entry of a form, and the line beside it."""
    return echo_of.box(Kit(lambda path: None)).children


def pressed(echo_of: Echo, done: list[str], *words: str) -> None:
    for word in words:
        settled(lambda word=word: done.append(word), echo_of)(None)


def test_without_an_event_loop_a_press_is_taken_at_once():
    done: list[str] = []
    pressed(Echo(), done, "first", "second")
    assert done == ["first", "second"]


def test_a_press_waits_until_the_page_has_put_its_number_back_and_the_presses_keep_their_order():
    async def work() -> None:
        one, done = Echo(), []
        boxes = [boxed(one)[0], boxed(one)[0]]
        pressed(one, done, "first", "second", "third")
        assert {box.placeholder for box in boxes} == {"3"}, "each form on the page is asked"
        await asyncio.sleep(0.05)
        assert done == []
        boxes[1].value = "2"
        assert done == ["first", "second"]
        boxes[0].value = "2"
        boxes[1].value = "nothing of ours"
        assert done == ["first", "second"], "a press is taken once"
        boxes[0].value = "3"
        assert done == ["first", "second", "third"]

    asyncio.run(work())


def test_a_page_that_never_answers_is_waited_for_once_and_then_no_longer_than_a_blink(monkeypatch):
    monkeypatch.setattr(echo, "WAIT_S", 0.3)
    monkeypatch.setattr(echo, "MUTE_S", 0.02)

    async def work() -> None:
        one, done = Echo(), []
        box, line = boxed(one)
        pressed(one, done, "first")
        await asyncio.sleep(0.1)
        assert done == []
        await asyncio.sleep(0.3)
        assert done == ["first"], "nothing that was pressed is lost"
        pressed(one, done, "second")
        await asyncio.sleep(0.1)
        assert done == ["first", "second"]
        assert line.value == ""
        pressed(one, done, "third")
        box.value = "3"
        pressed(one, done, "fourth")
        await asyncio.sleep(0.1)
        assert done == ["first", "second", "third"], "a page that has answered is waited for again"

    asyncio.run(work())


def test_a_press_that_a_page_does_not_answer_any_more_is_refused_with_words_and_taken_when_it_is_made_again(monkeypatch):
    monkeypatch.setattr(echo, "WAIT_S", 0.2)

    async def work() -> None:
        one, done = Echo(), []
        box, line = boxed(one)
        pressed(one, done, "first")
        box.value = "1"
        pressed(one, done, "second", "third")
        await asyncio.sleep(0.4)
        assert done == ["first"], "what was typed may not all have come"
        assert "Not done:" in line.value
        assert "press the button again" in line.value
        box.value = "3"
        assert done == ["first"], "and it is not taken later, unseen"
        pressed(one, done, "fourth")
        assert line.value == ""
        box.value = "4"
        assert done == ["first", "fourth"]
        pressed(one, done, "fifth")
        await asyncio.sleep(0.4)
        assert "Not done:" in line.value
        pressed(one, done, "sixth")
        await asyncio.sleep(0.4)
        assert done == ["first", "fourth", "sixth"], "of a page that answers no more, the second press is taken"
        assert line.value == ""

    asyncio.run(work())


def test_the_box_of_a_form_that_is_closed_is_asked_no_more():
    async def work() -> None:
        one, done = Echo(), []
        (gone, line), (there, _) = boxed(one), boxed(one)
        gone.close()
        line.close()
        pressed(one, done, "first")
        there.value = "1"
        assert done == ["first"]
        assert gone.placeholder != "1"

    asyncio.run(work())
