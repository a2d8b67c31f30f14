"""What threads bring is taken on one thread, in its turn."""

from __future__ import annotations

import asyncio
import threading

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
