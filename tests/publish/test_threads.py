"""Calls that hang: what waits for them can leave, and there are never many."""

from __future__ import annotations

import asyncio
import socket
import threading

import pytest

from acqd.publish.link import reachable
from acqd.publish.settings import BrokerSettings, Endpoint
from acqd.publish.threads import OwnThreads


async def test_results_and_errors_come_back():
    """What the call returns or raises is what the waiter gets."""
    threads = OwnThreads("test")
    assert await threads.run(lambda: 42) == 42
    with pytest.raises(ZeroDivisionError):
        await threads.run(lambda: 1 // 0)


async def test_hanging_calls_are_bounded():
    """With as many as may be hanging the next is refused, and taken again when one has ended."""
    threads, free = OwnThreads("test", most=2), threading.Event()
    hanging = [threads.start(free.wait) for _ in range(2)]
    with pytest.raises(OSError, match="2 calls"):
        await threads.run(lambda: 1)
    free.set()
    await asyncio.gather(*hanging)
    for thread in threading.enumerate():
        if thread.name == "test":
            thread.join(5)
    assert await threads.run(lambda: 1) == 1


async def test_a_wait_that_is_cancelled_leaves_its_thread(recwarn):
    """The waiter goes at once; the error that comes later is nobody's."""
    threads, free = OwnThreads("test"), threading.Event()

    def fail():
        free.wait()
        raise ValueError("late")

    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.01):
            await threads.run(fail)
    free.set()
    await asyncio.sleep(0.02)


async def test_every_address_of_a_name_is_tried(monkeypatch):
    """The first one that the resolver gives refuses; the second one is the broker."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        real = socket.getaddrinfo

        def found(host, *rest, **more):
            if host != "shack.example":
                return real(host, *rest, **more)
            assert threading.current_thread().daemon
            kind = (socket.AF_INET, socket.SOCK_STREAM, 6, "")
            return [(*kind, (where, port)) for where in ("127.0.0.2", "127.0.0.1")]

        monkeypatch.setattr(socket, "getaddrinfo", found)
        settings = BrokerSettings(address=Endpoint(host="shack.example", port=port))
        await reachable(settings, None, OwnThreads("test"))
    with pytest.raises(OSError, match="Connect"):
        await reachable(settings, None, OwnThreads("test"))
