"""What threads bring is taken on one thread, in its turn, and what is told goes at a pace."""

from __future__ import annotations

import ast
import asyncio
import threading
import time
from collections.abc import Iterator

import pytest

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


@pytest.fixture(name="kernel")
def kernel_with_a_second_thread() -> Iterator[tuple[object, str | None]]:
    """A client of a running kernel, and the name of a thread of it besides the first: none in one older than ipykernel 7."""
    from jupyter_client.manager import start_new_kernel

    manager, client = start_new_kernel(kernel_name="python3")
    try:
        features = client.kernel_info(reply=True, timeout=60)["content"].get("supported_features", [])
        thread = None
        if "kernel subshells" in features:
            client.control_channel.send(client.session.msg("create_subshell_request", {}))
            thread = client.control_channel.get_msg(timeout=60)["content"]["subshell_id"]
        yield client, thread
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)


WIDGETS = """
import time, ipywidgets
from workbook_lib.live.turns import hear_in_turn
hear_in_turn()
taken = []
typed, spoken = ipywidgets.Text(), ipywidgets.Text()
for name, one in {"typed": typed, "spoken": spoken}.items():
    one.observe(lambda change, name=name: taken.append((name, change["new"])), "value")
spoken.observe(lambda change: setattr(spoken, "placeholder", change["new"]), "value")
"""
"""A widget that is only told to the page, and one that speaks whenever it hears: the kernel answers the two on threads of their own."""


def test_messages_of_two_widgets_are_taken_in_the_order_in_which_the_page_sent_them(kernel):
    client, thread = kernel

    def told(code: str) -> str:
        said: list[str] = []
        client.execute_interactive(code, timeout=60, output_hook=lambda message: said.append(message["content"].get("text", "")))
        return "".join(said)

    def send(of: str, value: str) -> None:
        message = client.session.msg(
            "comm_msg", {"comm_id": of, "data": {"method": "update", "state": {"value": value}, "buffer_paths": []}}
        )
        message["header"]["subshell_id"] = thread
        client.shell_channel.send(message)

    told(WIDGETS)
    typed, spoken = told("print(typed.comm.comm_id, spoken.comm.comm_id)").split()
    send(spoken, "0")
    end = time.monotonic() + 30
    while "'0'" not in told("print(taken)") and time.monotonic() < end:
        time.sleep(0.05)
    client.execute("time.sleep(1.0)")
    time.sleep(0.3)
    for number in range(1, 6):  # the first thread is at work
        send(typed, str(number))
        send(spoken, str(number))
    time.sleep(1.2)
    expected = [("spoken", "0"), *((name, str(number)) for number in range(1, 6) for name in ("typed", "spoken"))]
    assert ast.literal_eval(told("print(taken)")) == expected


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
