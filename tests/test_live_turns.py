"""What threads bring is taken on one thread, in its turn, and what is told goes at a pace."""

from __future__ import annotations

import asyncio
import threading

from workbook_lib.live.pace import AT_ONCE, PER_S, Pace, paced
from workbook_lib.live.turns import in_turn


def test_a_message_that_another_thread_brings_is_taken_on_the_first():
    taken: list[tuple[object, threading.Thread]] = []

    async def work() -> None:
        hear = in_turn(lambda one: taken.append((one, threading.current_thread())), threading.current_thread(), asyncio.get_running_loop())
        hear("here")
        other = threading.Thread(target=lambda: [hear(number) for number in range(50)])
        other.start()
        other.join()
        assert taken == [("here", threading.current_thread())], "nothing is taken on the other thread"
        await asyncio.sleep(0)
        assert [one for one, _ in taken] == ["here", *range(50)]

    asyncio.run(work())
    assert {thread for _, thread in taken} == {threading.current_thread()}


class Clock:
    """A clock that goes on where somebody waits, and the times at which messages went."""

    def __init__(self):
        self.now, self.gone = 100.0, []

    def wait(self, seconds: float) -> None:
        assert seconds > 0
        self.now += seconds

    def send(self, msg_type, data=None, metadata=None, buffers=None) -> None:
        self.gone.append((self.now, msg_type, data))


def test_few_messages_go_at_once_and_of_many_never_more_than_the_way_holds():
    clock = Clock()
    send = paced(clock.send, Pace(lambda: clock.now, clock.wait))
    for number in range(int(AT_ONCE)):
        send("comm_msg", data=number)
    assert {when for when, _, _ in clock.gone} == {100.0}, "nobody waits for few"
    for number in range(int(AT_ONCE), 6000):
        send("comm_msg", data=number)
    assert [data for _, _, data in clock.gone] == list(range(6000)), "all go, in their order"
    times = [when for when, _, _ in clock.gone]
    for first in range(0, 6000, 7):
        within = sum(times[first] <= when < times[first] + 1.0 for when in times)
        assert within <= AT_ONCE + PER_S
    assert abs(times[-1] - 100.0 - (6000 - AT_ONCE) / PER_S) < 0.01, "and no slower than that"
    clock.now += 60.0
    last = clock.now
    for number in range(int(AT_ONCE)):
        send("comm_close", data=number)
    assert {when for when, _, _ in clock.gone[6000:]} == {last}, "after a rest many may go at once again, and no more than before"
    send("comm_close")
    assert clock.now > last
