"""Who takes a self-test: the station that runs, this process for it, or this process for nobody.

Where nobody writes the archive, it is held from the first part to the last. A sweeper at a bare
address has no archive: what it gives is shown and not kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from acqd.archive.selftests import KIND, stored_tests
from acqd.archive.writer import ArchiveWriter
from acqd.config.load import find_config, load_config
from acqd.config.selftest import SelfTestTable, load_expected
from acqd.drivers.host import Opened, SweeperHost
from acqd.drivers.registry import load_drivers
from acqd.errors import PortBusy, WrongUsage
from acqd.station.bench import own_archive, with_sweeper
from acqd.station.build import Built, SweeperSpec, at_address, build
from acqd.station.control import ask_station
from acqd.station.noting import user_name
from acqd.station.selftest import TestPart, facts_of, parts_of, refuse_unsafe_part, take_part
from acqd.station.selftesting import body_of, part_of
from acqd.sweep import SourceRequest

__all__ = ["TestBench", "Tester"]

RUN_ID = "self-test"


class Tester(Protocol):
    """Whoever can test the sweeper now."""

    text: str
    """Who that is."""
    holds_jobs: bool
    """Whether jobs wait for the end of the test."""

    def begin(self) -> Mapping[str, Any]:
        """Begin; ``identity`` and the keys of ``parts``. Raises AcqdError: not now."""
        ...

    def check(self, part: str) -> str:
        """See that a part may be taken, before anybody connects anything; what to connect.

        Raises:
            AcqdError: it may not, and why.
        """
        ...

    def take(self, part: str, say: Callable[[str], None]) -> Mapping[str, Any]:
        """Take a part and keep it; what the ledger has of it, without its sweeps.

        Raises:
            AcqdError: nothing was kept.
        """
        ...

    def end(self) -> None:
        """It is over: jobs go on."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class TestBench:
    """One sweeper, by its name in a config or at an address."""

    __test__ = False  # No test of pytest's, whatever it is called.

    built: Built | None
    sweeper: SweeperSpec
    expected: SelfTestTable | None

    @classmethod
    def of_sweeper(
        cls,
        name: str,
        *,
        config: str | None = None,
        driver: str | None = None,
        options: Mapping[str, Any] | None = None,
        expect: str | None = None,
    ) -> TestBench:
        """The sweeper ``name``: one of the config, or an address where there is a colon in it.

        Raises:
            ConfigError: the config, or the file of what is expected.
            WrongUsage: no such sweeper.
        """
        registry = load_drivers()
        told = None if expect is None else load_expected(expect)
        if ":" in name:
            spec = at_address(registry, name, driver=driver, options=options, deadline_s=60.0)
            return cls(built=None, sweeper=spec, expected=told)
        if driver is not None:
            raise WrongUsage("--driver is for an address; the config says the driver of a sweeper")
        if options:
            raise WrongUsage("--option is for an address; the config says the options of a sweeper")
        loaded = load_config(find_config(config))
        built = build(loaded, registry, broker="none")
        found = next((one for one in built.sweepers if one.name == name), None)
        if found is None:
            have = ", ".join(one.name for one in built.sweepers) or "none"
            raise WrongUsage(f"{loaded.path}: no enabled sweeper {name!r}; there is {have}")
        if told is not None:
            raise WrongUsage(
                f"--expect is for an address; {name} has [sweeper.{name}.self_test] in the config"
            )
        table = found.table
        return cls(built=built, sweeper=found, expected=None if table is None else table.self_test)

    @property
    def archive(self) -> Path | None:
        return None if self.built is None else self.built.archive

    @contextlib.contextmanager
    def opened(self) -> Iterator[Tester]:
        """Whoever can test it: the running station, or this process.

        Raises:
            ArchiveError: the archive can be neither read nor made.
            PortBusy: another process writes it, and takes no requests.
        """
        if self.built is None:
            yield _Alone(self, None)
            return
        with own_archive(self.built, RUN_ID, cannot="nothing can be tested") as archive:
            yield (_Station(self, self.built.archive) if archive is None else _Alone(self, archive))


class _Station:
    """The station that runs does it, and lets the sweeper's jobs wait."""

    holds_jobs = True

    def __init__(self, bench: TestBench, archive: Path) -> None:
        self._sweeper, self._archive = bench.sweeper.name, archive
        name = "" if bench.built is None else bench.built.name
        self.text = f"the running station {name}; jobs of {self._sweeper} wait meanwhile"
        self._test_s: float | None = None

    def _ask(
        self, step: str, say: Callable[[str], None] = lambda text: None, **more: Any
    ) -> dict[str, Any]:
        request = {
            "do": "self-test",
            "step": step,
            "sweeper": self._sweeper,
            "test_s": self._test_s,
            "who": user_name(),
            **more,
        }
        told = ask_station(self._archive, request, say=say)
        if told is None:
            raise PortBusy("the station has ended meanwhile; begin again")
        return told

    def begin(self) -> Mapping[str, Any]:
        told = self._ask("begin")
        self._test_s = float(told["test_s"])
        return told

    def check(self, part: str) -> str:
        return str(self._ask("check", part=part)["instruction"])

    def take(self, part: str, say: Callable[[str], None]) -> Mapping[str, Any]:
        return self._ask("part", say, part=part)

    def end(self) -> None:
        if self._test_s is not None:
            self._ask("end")


class _Alone:
    """This process has the sweeper, and the archive where there is one, to itself."""

    holds_jobs = False

    def __init__(self, bench: TestBench, archive: ArchiveWriter | None) -> None:
        self._bench = bench
        self._archive = archive
        self.text = bench.sweeper.name
        self._parts: tuple[TestPart, ...] = parts_of(bench.expected)
        self._stored = [] if archive is None else stored_tests(archive.recovery.overlays)
        self._test_s = 0.0

    @property
    def _stated_dbm(self) -> float | None:
        table = self._bench.sweeper.table
        return None if table is None else table.absolute_max_dbm

    def begin(self) -> Mapping[str, Any]:
        async def who(host: SweeperHost, opened: Opened) -> str:
            return str(opened.identity)

        self._test_s = time.time()
        identity = asyncio.run(with_sweeper(self._bench.sweeper, who))
        return {"identity": identity, "parts": [one.key for one in self._parts]}

    def check(self, part: str) -> str:
        found = part_of(self._parts, part)

        async def checked(host: SweeperHost, opened: Opened) -> None:
            refuse_unsafe_part(found, self._stated_dbm, opened.capabilities)

        asyncio.run(with_sweeper(self._bench.sweeper, checked))
        return found.instruction()

    def take(self, part: str, say: Callable[[str], None]) -> Mapping[str, Any]:
        found, table = part_of(self._parts, part), self._bench.sweeper.table

        async def taken(host: SweeperHost, opened: Opened) -> dict[str, Any]:
            try:
                got = await take_part(
                    found,
                    sweep=host.sweep,
                    capabilities=opened.capabilities,
                    facts=facts_of(table, opened.capabilities),
                    stated_dbm=self._stated_dbm,
                    detector=None if table is None else table.detector,
                    say=say,
                )
            finally:
                if opened.capabilities.source and host.is_open:
                    await host.set_source(SourceRequest(on=False))
            return got.to_body(self._bench.sweeper.name, self._test_s)

        body = body_of(
            asyncio.run(with_sweeper(self._bench.sweeper, taken)), self._stored, told=False
        )
        if self._archive is not None:
            self._archive.add_overlay_now(KIND, body=body, who=user_name(), from_s=body["at_s"])
        return {key: value for key, value in body.items() if key != "sweeps"}

    def end(self) -> None:
        pass
