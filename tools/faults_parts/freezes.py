"""SIGSTOP, some seconds, SIGCONT: nobody is gone, and nobody answers."""

from __future__ import annotations

from faults_parts.bench import FaultBench
from faults_parts.brokers import broker_pid
from faults_parts.registry import fault


@fault(
    "station-frozen",
    "SIGSTOP of the station for some seconds",
    guarantees=("G5",),
    strikes="station",
    times=(1, 4),
)
def station(bench: FaultBench) -> None:
    assert bench.station is not None
    bench.freeze(bench.station.process.pid)
    bench.sleep(1.5, 5.0)
    bench.thaw()


@fault(
    "broker-frozen",
    "SIGSTOP of the broker for some seconds",
    guarantees=("G1", "G8"),
    strikes="broker",
    times=(1, 4),
)
def broker(bench: FaultBench) -> None:
    bench.freeze(broker_pid(bench))
    bench.sleep(1.5, 5.0)
    bench.thaw()


@fault(
    "broker-frozen-long",
    "SIGSTOP of the broker for longer than anybody waits for its word",
    guarantees=("G1", "G8"),
    strikes="broker",
    times=(0, 2),
)
def broker_long(bench: FaultBench) -> None:
    bench.freeze(broker_pid(bench))
    bench.sleep(13.0, 16.0)
    bench.thaw()


def _sweeper(name: str, link: str) -> None:
    @fault(
        f"sweeper-frozen-{link}",
        f"SIGSTOP of the sweeper's server behind a {_WORDS[link]} for some seconds",
        guarantees=("G5", "G6"),
        strikes=f"sweeper {name}",
        times=(1, 3),
    )
    def freeze(bench: FaultBench) -> None:
        bench.freeze(bench.sims[name].process.pid)
        bench.sleep(0.5, 4.0)
        bench.thaw()


_WORDS = {"tcp": "TCP port", "pty": "pseudo-terminal"}
_sweeper("mast", "tcp")
_sweeper("bench", "pty")
