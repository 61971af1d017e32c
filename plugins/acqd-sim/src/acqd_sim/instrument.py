"""A simulated instrument as its commands see it: status, sweeping and output format."""

from __future__ import annotations

from dataclasses import dataclass

from acqd_sim.faults import Faults
from acqd_sim.grammar import ScpiError
from acqd_sim.receiver import Receiver
from acqd_sim.simclock import SceneClock
from acqd_sim.status import Event, Status
from acqd_sim.sweeping import Sweeping
from acqd_sim.troubles import Kind, Trouble

__all__ = ["Instrument", "Output"]


@dataclass(slots=True)
class Output:
    """How traces are to be sent."""

    unit: str = "DBM"
    real_bits: int = 0
    """0 is ASCII."""
    swapped: bool = False


class Instrument:
    """One instrument: status, sweeping and output format behind the commands."""

    def __init__(self, name: str, receiver: Receiver, clock: SceneClock) -> None:
        self.name = name
        self.clock = clock
        self.sweeping: Sweeping = Sweeping(receiver, clock)
        self.status: Status = Status()
        self.output: Output = Output()
        self.faults: Faults = Faults()
        self.answers: list[bytes] = []
        """Answers of the message under way."""
        self._opc_armed = False
        self.sweeping.set_continuous(True)

    def power_cycle(self) -> None:
        """Off and on again: settings and status as new, the power-on bit set."""
        self.status = Status()
        self.reset()
        self.sweeping.set_continuous(True)

    def reset(self) -> None:
        """``*RST``."""
        self._opc_armed = False
        self.output = Output()
        self.sweeping.reset()

    def arm_opc(self) -> None:
        """``*OPC``: set its bit once everything under way is done."""
        self._opc_armed = True
        self.settle()

    def forget_opc(self) -> None:
        """``*CLS`` and ``*RST`` forget a pending ``*OPC``."""
        self._opc_armed = False

    def settle(self) -> None:
        """Bring conditions up to date with the clock."""
        sweeping = self.sweeping
        sweeping.frozen = self.faults.frozen
        sweeping.receiver.misread(
            level_db=self.faults.level_error_db, frequency_ppm=self.faults.frequency_error_ppm
        )
        sweeping.receiver.trouble(self._troubles())
        sweeping.collect()
        if self._opc_armed and not sweeping.busy:
            self._opc_armed = False
            self.status.esr |= Event.OPC
        self.status.operation.set_condition(8, sweeping.busy or sweeping.continuous)
        self.status.questionable.set_condition(8, sweeping.overload)

    def _troubles(self) -> tuple[Trouble, ...]:
        """Those that were ordered."""
        faults, found = self.faults, []
        if faults.cable_off is not None:
            found.append(Trouble(kind=Kind.CABLE_OFF, device=faults.cable_off or None))
        if faults.no_supply is not None:
            found.append(Trouble(kind=Kind.NO_SUPPLY, device=faults.no_supply or None))
        return tuple(found)

    def interrupted(self) -> None:
        """The client went on before it had its answer: the answer is lost."""
        self.answers = []
        self.status.report(ScpiError(-410))
