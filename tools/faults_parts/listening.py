"""Somebody who listens: an MQTT client of its own that writes all down, each time that it comes."""

from __future__ import annotations

import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from faults_parts.record import Heard, Record
from peers import wait_for

__all__ = ["Subscriber"]

AGAIN_S = 0.01
"""Between two tries to connect: what a broker passes on meanwhile is heard by nobody."""

QUIET_S = 0.3
"""So long nothing came: nothing more is on its way."""


class Subscriber:
    """Subscribes to everything at QoS 1, comes back at once, and keeps nothing to itself."""

    def __init__(self, host: str, port: int, record: Record) -> None:
        self._record = record
        self._place = (host, port)
        self._up = threading.Event()
        self._stop = threading.Event()
        self._left_s = self._sign_s = time.time()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311, clean_session=True
        )
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._subscribed
        self._client.on_disconnect = self._gone
        self._client.on_message = self._message
        self._thread = threading.Thread(target=self._run, name="subscriber", daemon=True)
        self._thread.start()

    @property
    def is_up(self) -> bool:
        return self._up.is_set()

    def until_up(self) -> None:
        wait_for("the subscriber", self._up.is_set)

    def end(self) -> None:
        """Hear what is still on its way, and go. May be called twice."""
        if self._stop.is_set():
            return
        heard = -1
        while self._up.is_set() and heard != len(self._record.heard):
            heard = len(self._record.heard)
            time.sleep(QUIET_S)
        was_up = self._up.is_set()
        self._stop.set()
        self._thread.join(5.0)
        self._client.disconnect()
        if not was_up:
            self._record.away.append((self._left_s, time.time()))

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._client.connect(*self._place, keepalive=60)
                while not self._stop.is_set() and self._client.loop(0.1) == mqtt.MQTT_ERR_SUCCESS:
                    pass
            except OSError:
                pass  # nobody is there
            self._note_gone()
            self._stop.wait(AGAIN_S)

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe("acqd/#", 1)

    def _subscribed(self, *_: Any) -> None:
        self._record.away.append((self._left_s, time.time()))
        self._up.set()

    def _gone(self, *_: Any) -> None:
        self._note_gone()

    def _note_gone(self) -> None:
        if self._up.is_set():
            self._up.clear()
            # What came last was there then; what the broker took after it may be gone with it.
            self._left_s = min(self._sign_s, time.time())

    def _message(self, client: mqtt.Client, _: Any, message: mqtt.MQTTMessage) -> None:
        self._sign_s = time.time()
        self._record.heard.append(
            Heard(
                at_s=self._sign_s,
                topic=message.topic,
                payload=bytes(message.payload),
                retained=message.retain,
            )
        )
