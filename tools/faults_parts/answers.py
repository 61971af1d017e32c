"""A sweeper that answers wrongly: late, garbage, too little, too much, no numbers, another grid, as
somebody else. On a TCP port or a pseudo-terminal, by chance."""

from __future__ import annotations

from faults_parts.bench import FaultBench
from faults_parts.registry import fault

WORDS = {
    "late": ("every answer comes two seconds late", ("late 2",)),
    "much-late": ("every answer comes later than anybody waits for it", ("late 8",)),
    "mute": ("it takes everything in and answers nothing", ("stop-answering",)),
    "garbage": ("three answers are bytes that mean nothing", ("garbage 3",)),
    "short-block": ("the second half of a trace never comes", ("cut-block 2",)),
    "long-block": ("a block has more bytes than it says", ("long-block 3",)),
    "half-line": ("an answer stops halfway", ("half-line 2",)),
    "not-a-number": ("traces hold the number that stands for none", ("nan 5",)),
    "fewer-points": ("traces have fewer points than asked for", ("points -7 4",)),
    "more-points": ("traces have more points than asked for", ("points 13 4",)),
    "hang-up": ("it hangs up instead of answering", ("drop 2",)),
    "errors": ("its error queue never runs empty", ("errors endless",)),
    "power-cycle": ("it restarts and has lost its settings", ("power-cycle",)),
    "other-grid": (
        "it takes another span than it is told, and says so when it is asked",
        ("grid-off 30000", "power-cycle"),
    ),
    "other-identity": (
        "another instrument answers at its address",
        ("identity GANNET,STRANGER,GL9999,2.0", "hang-up", "drop"),
    ),
}
"""What happens, and the orders for it; what counts answers heals by itself."""


def _answer(name: str, does: str, orders: tuple[str, ...]) -> None:
    @fault(
        f"sweeper-{name}",
        f"a sweeper misbehaves: {does}",
        guarantees=("G2", "G5", "G6"),
        strikes="sweeper",
        times=(1, 2),
    )
    def misbehave(bench: FaultBench) -> None:
        sweeper = bench.chance.choice(sorted(bench.sims))
        for order in orders:
            bench.sims[sweeper].order(f"{sweeper} {order}")
        bench.sleep(1.0, 2.5)
        bench.sims[sweeper].order(f"{sweeper} heal")
        if "power-cycle" in orders:
            # It takes its settings anew, and has them as it is told.
            bench.sims[sweeper].order(f"{sweeper} power-cycle")


for _name, (_does, _orders) in WORDS.items():
    _answer(_name, _does, _orders)
