"""The pytest plugin of the conformance kit. Imported in every pytest run of an environment that has
acqd, so nothing heavy is imported here, and nothing is added unless the suite is named: other
plugins have options of the same names."""

from __future__ import annotations

from typing import Final

import pytest

__all__ = ["OPTIONS"]

SUITE: Final = ("acqd.testing.suite", "acqd/testing/suite")
NAMED: Final = "acqd_suite_is_named"

OPTIONS: Final[tuple[tuple[str, str | None, str], ...]] = (
    ("--driver", "NAME", "the driver to test, as 'acqd find --drivers' lists it"),
    ("--address", "ADDRESS", "where its sweeper is, as a config would say it"),
    ("--option", "KEY=VALUE", "an option of the sweeper, the value as in TOML; may be repeated"),
    ("--options", "FILE.toml", "a file of such options; --option goes before it"),
    ("--start", "FREQUENCY", "where the ordinary sweep begins, such as 156MHz"),
    ("--stop", "FREQUENCY", "where it ends"),
    ("--points", "N", "its points"),
    ("--rbw", "BANDWIDTH", "its RBW; without it the sweeper chooses"),
    ("--sweeps", "N", "sweeps in a row in search of leaks [1000]"),
    (
        "--endurance",
        "SECONDS",
        "no more of them are begun after so long, but for the first 50 [60]",
    ),
    ("--patience", "SECONDS", "sweeps at a limit that would take longer are left out [10]"),
    ("--deadline", "SECONDS", "for calls of which the driver makes no estimate [30]"),
    ("--unplug-by", "COMMAND", "unplugs the sweeper when called with 'off', plugs in with 'on'"),
    ("--source-dbm", "LEVEL", "lets its source be turned on, no stronger than this"),
    ("--source-seen-by", "COMMAND", "looks at its output and prints 'on' or 'off'"),
    ("--isolation", "WAY", "where the driver runs: thread or process [thread]"),
    ("--same-levels", None, "it plays a recording: sweeps need not differ"),
    ("--no-relay", None, "talk to the address itself: unplugging and silence are left out"),
)


def pytest_addoption(parser: pytest.Parser, pluginmanager: pytest.PytestPluginManager) -> None:
    """The suite's options, where the command line names the suite."""
    config = pluginmanager.get_plugin("pytestconfig")
    words = config.invocation_params.args if config is not None else ()
    if not any(name in str(word) for word in words for name in SUITE):
        return
    group = parser.getgroup("acqd", "acqd: the conformance kit")
    for name, shown, text in OPTIONS:
        if shown is None:
            group.addoption(name, action="store_true", help=text)
        elif name == "--option":
            group.addoption(name, metavar=shown, action="append", default=[], help=text)
        else:
            group.addoption(name, metavar=shown, help=text)
    group.addoption(f"--{NAMED}", action="store_true", default=True, help=_hidden())


def _hidden() -> str:
    import argparse

    return argparse.SUPPRESS


def _is_ours(config: pytest.Config) -> bool:
    return bool(config.getoption(NAMED, False))


def pytest_sessionstart(session: pytest.Session) -> None:
    """A driver that is not there, or an option that cannot be read, ends it before it begins."""
    if _is_ours(session.config):
        from acqd.testing.suite.told import Told

        Told.of(session.config)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Without a driver all is skipped, and says so."""
    if _is_ours(config) and not config.getoption("driver"):
        reason = "no driver was named: give --driver NAME --address ADDRESS"
        for item in items:
            if any(name in str(item.path) for name in SUITE):
                item.add_marker(pytest.mark.skip(reason=reason))


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """What came of it, in a sentence."""
    if _is_ours(config):
        from acqd.testing.suite.summary import summary

        terminalreporter.section("acqd")
        for line in summary(config, terminalreporter.stats):
            terminalreporter.write_line(line)
