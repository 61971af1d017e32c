"""The login manager on the system's bus (org.freedesktop.login1): asked to keep the machine awake.

An inhibitor is a file: whoever holds it open holds the machine awake, and the kernel closes it when
the process ends, however it ends. Every call has a time limit. jeepney is imported when a bus is
opened.

Source: the D-Bus specification and the inhibitor locks of systemd's login manager, which others
keep as well, from memory.
"""

from __future__ import annotations

import os
import socket
from typing import Any, Final

from acqd.errors import HostError

__all__ = ["WANTED", "LoginBus", "NotHeld", "may_keep_awake", "take"]

NAME: Final = "org.freedesktop.login1"
PATH: Final = "/org/freedesktop/login1"
MANAGER: Final = "org.freedesktop.login1.Manager"

CALL_WITHIN_S: Final = 3.0

WANTED: Final = ("sleep:idle:handle-lid-switch", "sleep:idle", "idle")
"""What is asked for, and what is left where that is refused: many systems give strangers (over ssh,
services of users who are not logged in) only the last."""


class NotHeld(HostError):
    """Nobody keeps the machine awake for us; says why."""


class LoginBus:
    """One connection to the system's bus. Not for use from several threads."""

    def __init__(self) -> None:
        """Connect.

        Raises:
            NotHeld: there is no bus, or it does not answer.
        """
        try:
            from jeepney.bus import get_bus
            from jeepney.io.blocking import DBusConnection, prep_socket
        except ImportError as exc:
            raise NotHeld("jeepney, which speaks D-Bus, is not installed") from exc

        class Limited(DBusConnection):  # type: ignore[misc] # jeepney has no types
            """Its own first call, to the bus, has no limit otherwise."""

            def send_and_get_reply(self, message: Any, *, timeout: float | None = None) -> Any:
                limit_s = CALL_WITHIN_S if timeout is None else timeout
                return super().send_and_get_reply(message, timeout=limit_s)

        try:
            link = prep_socket(get_bus("SYSTEM"), enable_fds=True, timeout=CALL_WITHIN_S)
        except (OSError, ValueError, RuntimeError) as exc:
            raise NotHeld(f"there is no system bus ({_said(exc)})") from exc
        try:
            link.settimeout(CALL_WITHIN_S)
            self._bus = Limited(link, enable_fds=True)
        except Exception as exc:
            # Whatever a peer at that address sends; it must not end the thread that asked.
            link.close()
            raise NotHeld(f"the system bus does not answer ({_said(exc)})") from exc
        self._watch()

    def fileno(self) -> int:
        """Becomes readable when the bus says something, or goes."""
        link: socket.socket = self._bus.sock
        return link.fileno()

    def close(self) -> None:
        self._bus.close()

    def _call(self, message: Any) -> tuple[Any, ...]:
        from jeepney.wrappers import DBusErrorResponse, unwrap_msg

        try:
            answer: tuple[Any, ...] = unwrap_msg(self._bus.send_and_get_reply(message))
        except DBusErrorResponse as exc:
            raise NotHeld(_refusal(exc)) from exc
        except Exception as exc:
            raise NotHeld(f"the system bus does not answer ({_said(exc)})") from exc
        return answer

    def _watch(self) -> None:
        """Ask to be told when the login manager comes or goes."""
        from jeepney import message_bus

        rule = (
            "type='signal',sender='org.freedesktop.DBus',interface='org.freedesktop.DBus',"
            f"member='NameOwnerChanged',arg0='{NAME}'"
        )
        try:
            self._call(message_bus.AddMatch(rule))
        except NotHeld:
            self.close()
            raise

    def inhibit(self, what: str, *, who: str, why: str) -> int:
        """Take an inhibitor of mode "block"; its file descriptor, not handed on to children.

        Raises:
            NotHeld: refused, or nobody answers.
        """
        from jeepney import DBusAddress, new_method_call

        manager = DBusAddress(PATH, bus_name=NAME, interface=MANAGER)
        answer = self._call(new_method_call(manager, "Inhibit", "ssss", (what, who, why, "block")))
        try:
            handle: int = answer[0].to_raw_fd()
        except (IndexError, AttributeError, ValueError) as exc:
            raise NotHeld("the login manager's answer holds no file") from exc
        os.set_inheritable(handle, False)
        return handle

    def news(self) -> bool:
        """Read what waits; whether the login manager came or went.

        Raises:
            NotHeld: the bus is gone.
        """
        from jeepney import HeaderFields

        changed = False
        try:
            while True:
                message = self._bus.receive(timeout=0)
                changed |= message.header.fields.get(HeaderFields.member) == "NameOwnerChanged"
        except TimeoutError:
            return changed
        except Exception as exc:
            raise NotHeld(f"the system bus is gone ({_said(exc)})") from exc


def take(bus: LoginBus, *, who: str, why: str) -> tuple[int, str]:
    """The most that the login manager gives of :data:`WANTED`: file descriptor and what it is of.

    Raises:
        NotHeld: it gives nothing.
    """
    refused: list[NotHeld] = []
    for what in WANTED:
        try:
            return bus.inhibit(what, who=who, why=why), what
        except NotHeld as exc:
            refused.append(exc)
    raise refused[0]


def may_keep_awake() -> bool | None:
    """Whether this user may keep this machine from sleeping: tried, and let go at once.

    None where there is no login manager to ask.
    """
    try:
        bus = LoginBus()
    except NotHeld:
        return None
    try:
        handle, what = take(bus, who="acqd", why="to see whether it may")
    except NotHeld:
        return False
    finally:
        bus.close()
    os.close(handle)
    return "sleep" in what.split(":")


def _said(exc: BaseException) -> str:
    return getattr(exc, "strerror", None) or str(exc) or type(exc).__name__


def _refusal(exc: Any) -> str:
    """What a bus or the login manager says, in a line."""
    name, data = str(exc.name), exc.data
    if name.endswith((".ServiceUnknown", ".NameHasNoOwner")):
        return "there is no login manager on the system bus"
    text = str(data[0]) if data else name
    plain = "".join(letter if letter.isprintable() else " " for letter in text)[:200]
    return f"the login manager refuses: {plain}"
