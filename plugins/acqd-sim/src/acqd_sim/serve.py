"""The program ``acqd-sim``: serves simulated instruments, and tells a server's instruments things.

Exit codes: 0 done, 1 it could not be done, 2 wrong usage or a wrong scene file.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import socket
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from acqd.errors import ConfigError

if TYPE_CHECKING:
    from acqd_sim.iq import IqSettings

__all__ = ["main"]

TELL_LIMIT_S = 10.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; returns its exit code."""
    parser = _parser()
    options = parser.parse_args(arguments)
    try:
        return int(options.run(options))
    except ConfigError as exc:
        print(exc, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="acqd-sim", description="Simulated sweepers for acqd.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    serve = commands.add_parser("serve", help="serve the instruments of a scene")
    serve.add_argument("scene", nargs="?", help="scene file; left out: the built-in one")
    serve.add_argument(
        "--tcp", action="append", default=[], metavar="NAME=HOST:PORT", help="port 0: a free one"
    )
    serve.add_argument(
        "--pty", action="append", default=[], metavar="NAME=PATH", help="a link to a terminal"
    )
    serve.add_argument(
        "--hislip", action="append", default=[], metavar="NAME=HOST:PORT", help="SCPI over HiSLIP"
    )
    serve.add_argument(
        "--vxi11", action="append", default=[], metavar="NAME=HOST:PORT", help="SCPI over VXI-11"
    )
    serve.add_argument(
        "--speak",
        action="append",
        default=[],
        metavar="NAME=LANGUAGE",
        help="tern, skua or dunlin instead of scpi",
    )
    serve.add_argument(
        "--iq",
        action="append",
        default=[],
        metavar="NAME=HOST:PORT,rate=…,centre=…[,type=…][,full_scale=…]",
        help="its samples, as a stream",
    )
    serve.add_argument("--control", metavar="HOST:PORT", help="where to take orders")
    serve.add_argument(
        "--time-scale", type=float, default=1.0, metavar="X", help="real seconds a scene second"
    )
    serve.set_defaults(run=_serve)
    tell = commands.add_parser(
        "tell",
        help="tell an instrument of a running server something",
        usage="acqd-sim tell [-h] HOST:PORT NAME ORDER [ARGUMENT]",  # one order, not several
    )
    tell.add_argument("control", metavar="HOST:PORT")
    tell.add_argument("words", nargs="+", metavar="NAME ORDER [ARGUMENT]", help="or: list")
    tell.set_defaults(run=_tell)
    record = commands.add_parser(
        "record", help="write an instrument's samples as a SigMF recording"
    )
    record.add_argument("scene", help="scene file, or - for the built-in one")
    record.add_argument("name", help="name of an instrument in it")
    record.add_argument("--centre", required=True, metavar="F", help='such as "156.5 MHz"')
    record.add_argument("--rate", required=True, metavar="R", help='such as "1 MS/s"')
    record.add_argument("--for", required=True, metavar="T", dest="lasts", help='such as "60 s"')
    record.add_argument("--from", metavar="WHEN", dest="since", help="UTC; left out: now")
    record.add_argument("--type", default="ci16_le", metavar="TYPE")
    record.add_argument("--full-scale", default="-20 dBm", metavar="LEVEL")
    record.add_argument("--out", required=True, metavar="NAME.sigmf-meta")
    record.set_defaults(run=_record)
    truth = commands.add_parser("truth", help="what was on the air in a stretch of time")
    truth.add_argument("scene", help="scene file, or - for the built-in one")
    truth.add_argument("name", help="name of the scene in it")
    truth.add_argument("start", type=float, help="seconds since 1970-01-01T00:00:00Z")
    truth.add_argument("stop", type=float)
    truth.set_defaults(run=_truth)
    return parser


def _host_port(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or int(port) > 65535:
        raise SystemExit(_wrong(f"expected HOST:PORT, such as 127.0.0.1:47025, got {text!r}"))
    return host, int(port)


def _named(texts: Sequence[str], what: str) -> dict[str, str]:
    found = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not name or not equals or not value:
            raise SystemExit(_wrong(f"expected NAME={what}, got {text!r}"))
        found[name] = value
    return found


def _samples(text: str) -> tuple[str, int, IqSettings]:
    """Where samples go and which, from "HOST:PORT,rate=…,centre=…"."""
    from acqd_sim.iq import IqSettings, WrongIq

    where, *more = text.split(",")
    host, port = _host_port(where)
    pairs = (one.partition("=") for one in more)
    try:
        return host, port, IqSettings.from_texts({key.strip(): value for key, _, value in pairs})
    except WrongIq as exc:
        raise SystemExit(_wrong(f"--iq {text}: {exc}")) from exc


def _record(options: argparse.Namespace) -> int:
    import time
    from pathlib import Path

    from acqd.config.quantity import DURATION, QuantityError, parse_quantity
    from acqd_sim.iq import IqSettings, WrongIq
    from acqd_sim.iqrecord import record
    from acqd_sim.scenefile import load_world

    world = load_world(None if options.scene == "-" else options.scene)
    texts = {
        "rate": options.rate,
        "centre": options.centre,
        "type": options.type,
        "full_scale": options.full_scale,
    }
    try:
        settings = IqSettings.from_texts(texts)
        lasts_s = parse_quantity(options.lasts, DURATION)
        start_s = time.time() if options.since is None else _utc_s(options.since)
        out = Path(options.out)
        count = record(world, options.name, settings, start_s=start_s, lasts_s=lasts_s, out=out)
    except (WrongIq, QuantityError) as exc:
        return _wrong(str(exc))
    except OSError as exc:
        print(f"acqd-sim: {options.out}: cannot be written: {exc.strerror}", file=sys.stderr)
        return 1
    print(f"{count} samples of {options.name} are in {options.out}")
    return 0


def _utc_s(text: str) -> float:
    from datetime import UTC, datetime

    from acqd_sim.iq import WrongIq

    try:
        when = datetime.fromisoformat(text)
    except ValueError as exc:
        raise WrongIq(f"--from {text}: accepted: a time such as 2026-06-14T22:52:10Z") from exc
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _wrong(text: str) -> int:
    print(f"acqd-sim: {text}", file=sys.stderr)
    return 2


def _serve(options: argparse.Namespace) -> int:
    from acqd_sim.scenefile import load_world
    from acqd_sim.server import PortTaken, Served, Service

    if not 0.0 < options.time_scale <= 1000.0:
        return _wrong(f"--time-scale must be above 0 and at most 1000, got {options.time_scale}")
    world = load_world(options.scene)
    tcp = {name: _host_port(text) for name, text in _named(options.tcp, "HOST:PORT").items()}
    pty = _named(options.pty, "PATH")
    hislip = {name: _host_port(text) for name, text in _named(options.hislip, "HOST:PORT").items()}
    vxi11 = {name: _host_port(text) for name, text in _named(options.vxi11, "HOST:PORT").items()}
    speak = _named(options.speak, "LANGUAGE")
    iq = {name: _samples(text) for name, text in _named(options.iq, "HOST:PORT,rate=…").items()}
    if not (tcp or pty or hislip or vxi11 or iq):
        tcp = dict.fromkeys(world.models, ("127.0.0.1", 0))
    control = _host_port(options.control) if options.control else None
    served = Served(
        tcp=tcp,
        pty=pty,
        hislip=hislip,
        vxi11=vxi11,
        iq=iq,
        speak=speak,
        control=control,
        time_scale=options.time_scale,
    )

    async def serve() -> int:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        try:
            service = Service(world, served)
            await service.open()
        except PortTaken as exc:
            print(f"acqd-sim: {exc}", file=sys.stderr)
            return 1
        print("\n".join(service.banner()), flush=True)
        await stop.wait()
        await service.close()
        return 0

    return asyncio.run(serve())


def _tell(options: argparse.Namespace) -> int:
    host, port = _host_port(options.control)
    try:
        with socket.create_connection((host, port), TELL_LIMIT_S) as link:
            link.sendall(f"{' '.join(options.words)}\n".encode())
            with link.makefile("r", encoding="utf-8") as lines:
                answer = lines.readline().strip()
    except OSError as exc:
        print(f"acqd-sim: no answer from {host}:{port}: {exc.strerror or exc}", file=sys.stderr)
        return 1
    verdict, _, rest = answer.partition(" ")
    print(rest or verdict, file=sys.stdout if verdict == "ok" else sys.stderr)
    return 0 if verdict == "ok" else 1


def _truth(options: argparse.Namespace) -> int:
    from acqd_sim.scenefile import load_world

    world = load_world(None if options.scene == "-" else options.scene)
    if options.name not in world.scenes:
        return _wrong(f"no scene {options.name!r}; there are: {', '.join(world.scenes)}")
    print("start [s],stop [s],name,kind,frequency [Hz],bandwidth [Hz],power [dBm]")
    for one in world.scenes[options.name].truth(options.start, options.stop):
        print(
            f"{one.start_s:.3f},{one.stop_s:.3f},{one.name},{one.kind},"
            f"{one.frequency_hz:.1f},{one.bandwidth_hz:.1f},{one.power_dbm:.2f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
