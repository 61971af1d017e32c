"""An antenna relay at a real broker: a client of its own that does what it is asked, or not."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from peers import wait_for

HOST = "127.0.0.1"
ASKED, SAYS = "ledge/relay/set", "ledge/relay"

Answer = Callable[[str], Sequence[tuple[float, str]]]
"""For a word that is asked: after how many seconds it says which words."""


def at_once(word: str) -> Sequence[tuple[float, str]]:
    return ((0.0, word),)


def never(word: str) -> Sequence[tuple[float, str]]:
    return ()


class Relay:
    """Writes down what it was asked, and says what ``answer`` makes of it."""

    def __init__(self, port: int, answer: Answer = at_once, *, retains: bool = False) -> None:
        self.asked: list[tuple[float, str]] = []
        self.answer = answer
        self.retains = retains
        self._up = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="relay", protocol=mqtt.MQTTv311
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._up.set()
        self._client.on_message = self._message
        self._client.connect(HOST, port)
        self._client.loop_start()
        wait_for("the relay", self._up.is_set)

    @property
    def words(self) -> list[str]:
        """What it was asked, in the order in which it came."""
        return [word for _, word in list(self.asked)]

    def say(self, word: str, *, retain: bool | None = None) -> None:
        retained = self.retains if retain is None else retain
        self._client.publish(SAYS, word, qos=1, retain=retained).wait_for_publish(10.0)

    def end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(ASKED, 1)

    def _message(self, client: mqtt.Client, _: Any, message: mqtt.MQTTMessage) -> None:
        word = message.payload.decode()
        self.asked.append((time.monotonic(), word))
        for after_s, says in self.answer(word):
            if after_s:
                timer = threading.Timer(after_s, self._publish, (says,))
                timer.daemon = True
                timer.start()
            else:
                self._publish(says)

    def _publish(self, word: str) -> None:
        self._client.publish(SAYS, word, qos=1, retain=self.retains)


def around(
    job: str,
    *,
    within: str = "5 s",
    more: str = "",
    after: bool | str = True,
    confirm: str = 'topic = "ledge/relay", is = "bridge"',
) -> str:
    """The tables of a job that wants the relay at the bridge; ``after`` a confirmed one, or the
    text of it."""
    text = f"""\
[job.{job}.before]
publish = "{ASKED}"
payload = "bridge"
confirm = {{ {confirm} }}
within = "{within}"
{more}
"""
    if after is True:
        after = f'confirm = {{ topic = "{SAYS}", is = "aerial" }}\nwithin = "{within}"'
    if after is not False:
        text += f'[job.{job}.after]\npublish = "{ASKED}"\npayload = "aerial"\n{after}\n'
    return text
