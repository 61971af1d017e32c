"""Loading drivers through entry points: a broken one is listed, never fatal."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acqd.drivers.contract import Driver
from acqd.drivers.registry import load_drivers
from acqd.errors import PluginError

GOOD = """
    from acqd.drivers.contract import Driver

    class Good(Driver):
        def open(self, context):
            raise OSError("no hardware here")
"""

BROKEN = {
    "missing module": ("nowhere_at_all:Driver", "", "ModuleNotFoundError"),
    "missing name": ("bad_name:Absent", "x = 1", "AttributeError"),
    "raises on import": ("bad_raise:D", "raise RuntimeError('dead on arrival')", "dead on arrival"),
    "exits on import": ("bad_exit:D", "import sys; sys.exit(3)", "SystemExit"),
    "syntax error": ("bad_syntax:D", "def (", "SyntaxError"),
    "not a class": ("bad_kind:D", "D = 5", "not a class derived from"),
    "not a driver": ("bad_class:D", "class D: pass", "not a class derived from"),
    "abstract": (
        "bad_abstract:D",
        "from acqd.drivers.contract import Driver\nclass D(Driver): pass",
        "lacks open",
    ),
    "other contract": (
        "bad_api:D",
        "from acqd.drivers.contract import Driver\n"
        "class D(Driver):\n    api = 99\n    def open(self, context): pass",
        "driver contract 99, this acqd has 1",
    ),
    "needs arguments": (
        "bad_init:D",
        "from acqd.drivers.contract import Driver\n"
        "class D(Driver):\n    def __init__(self, port): pass\n    def open(self, context): pass",
        "TypeError",
    ),
}


def test_a_good_driver_is_registered_with_its_distribution(install: Callable[..., None]) -> None:
    """Name, distribution and version come from the metadata; the factory makes a Driver."""
    install("gannet-good", name="good", target="gannet_good:Good", code=GOOD)
    registry = load_drivers()
    entry = registry.drivers["good"]
    assert (entry.distribution, entry.version) == ("gannet-good", "1.2")
    assert isinstance(registry.make("good"), Driver)


@pytest.mark.parametrize(("target", "code", "says"), BROKEN.values(), ids=BROKEN)
def test_a_broken_driver_is_listed_and_the_others_go_on(
    install: Callable[..., None], target: str, code: str, says: str
) -> None:
    """Whatever is wrong with one, it is named with its distribution, and a good one still loads."""
    install("gannet-good", name="good", target="gannet_good:Good", code=GOOD)
    install("gannet-bad", name="bad", target=target, code=code, version="0.9")
    registry = load_drivers()
    assert "good" in registry.drivers and "bad" not in registry.drivers
    (error,) = [error for error in registry.broken if error.name == "bad"]
    assert (error.distribution, error.version) == ("gannet-bad", "0.9")
    assert says in str(error)
    with pytest.raises(PluginError, match=r"gannet-bad 0\.9"):
        registry.make("bad")


def test_two_drivers_with_one_name_are_both_refused(install: Callable[..., None]) -> None:
    """Nobody can say which was meant, so neither is used, and each names the other."""
    install("gannet-good", name="same", target="gannet_good:Good", code=GOOD)
    install("other-good", name="same", target="other_good:Good", code=GOOD)
    registry = load_drivers()
    assert "same" not in registry.drivers
    texts = [str(error) for error in registry.broken if error.name == "same"]
    assert len(texts) == 2
    assert all("gannet-good 1.2" in text and "other-good 1.2" in text for text in texts)


def test_an_unknown_driver_is_told_what_is_installed(install: Callable[..., None]) -> None:
    """The message for a driver that is not there lists those that are."""
    install("gannet-good", name="good", target="gannet_good:Good", code=GOOD)
    with pytest.raises(PluginError, match=r"not installed; installed drivers: .*good"):
        load_drivers().make("guud")


def test_a_keyboard_interrupt_while_loading_is_not_swallowed(install: Callable[..., None]) -> None:
    """Ctrl-C during an import is the user's, not the plugin's."""
    install("gannet-bad", name="bad", target="bad_ctrl_c:D", code="raise KeyboardInterrupt")
    with pytest.raises(KeyboardInterrupt):
        load_drivers()


def test_the_registry_cannot_be_changed(install: Callable[..., None]) -> None:
    """What was loaded stays as it is."""
    install("gannet-good", name="good", target="gannet_good:Good", code=GOOD)
    with pytest.raises(TypeError):
        load_drivers().drivers["x"] = None
