"""The pass for a bench where somebody keys by hand: what to do now, and seeing that it was done.

Nothing is asked and nothing is pressed: a key-up, a key-down, more power and one more pad are all
seen in the level. Looks that only wait stand outside the pass (step :data:`WAIT`), so the meter
does not take them for one.

    key-up ─► low power ─► full power ─► the pass ─► release ─► key-up ─┬─► done
                                                                       └─► pad in, once more
"""

from __future__ import annotations

from collections.abc import Callable, Generator

from acqd.measure.emission_layout import LAST
from acqd.measure.emission_meter import behind_pad, remembered
from acqd.measure.emission_outcome import outcome_of
from acqd.measure.emission_plan import next_step
from acqd.measure.emission_readings import Look, look_at
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.meter import Answer, Pass, PassStep
from acqd.measure.passmeter import Seen
from acqd.measure.words import duration_text, number_text

__all__ = ["LOOKS_MOST", "WAIT", "guided_pass"]

WAIT = 600
LOOKS_MOST = 2000
"""Looks while something is waited for, however short they are."""

FULL_WITHIN_DB = 4.0
"""So close to the stated power it is taken for full power."""

TOO_MUCH_DB = 3.0
"""So far above the stated power something is wrong with what was stated, or with the chain."""

STEADY_LOOKS = 3
"""Looks in a row that show the same power, after which it is taken for all there is."""

STEADY_DB = 0.5

Asking = Generator[PassStep, Callable[[], Answer], "Look | None"]


def guided_pass(settings: EmissionSettings) -> Pass:
    """A pass with somebody at the bench; without a key it is the plain pass.

    It gives up after ``key_within`` without the key-up or key-down that it waits for; a last look
    then leaves a summary that says so.
    """
    first = yield from _whole(settings)
    if first is None or settings.external_pad_db is None:
        return
    outcome = outcome_of(settings, first, complete=True)
    names = [one.product.name for one in outcome.suspicious]
    if not names or outcome.released:
        return
    pad = f"{settings.external_pad_db:g} dB"
    told = (
        f"It matters where {_listed(names)} comes from, and the sweeper has no attenuator to tell. "
        f"With the key up: put one more pad of {pad} at the transmitter's end of the chain, good "
        "for its full power; then key as before."
    )
    unpadded = remembered(outcome)

    def behind(look: Look, seen: Seen) -> bool:
        return behind_pad(settings, unpadded, seen) is not None

    look = yield from _wait(settings, behind, told)
    if look is not None:
        yield from _measured(settings, "Hold it: measuring once more.")
        yield from _wait(settings, _is_up, "Release the key now.")


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _is_up(look: Look, _: Seen) -> bool:
    return look.keyed is False


def _look(settings: EmissionSettings, say: str = "") -> PassStep:
    return PassStep(request=settings.request, step=WAIT, say=say)


def _wait(settings: EmissionSettings, done: Callable[[Look, Seen], bool], say: str) -> Asking:
    """Look until it is so; what it then looked like, or None when the time is over."""
    started_s: float | None = None
    for number in range(LOOKS_MOST):
        answer = (yield _look(settings, say if number == 0 else ""))()
        seen = Seen(setup=answer.setup, sweep=answer.sweep)
        look = look_at(settings, seen)
        if look.keyed is None:
            return None
        if done(look, seen):
            return look
        end_s = seen.sweep.started_s + seen.sweep.took_s
        started_s = end_s if started_s is None else started_s
        if end_s - started_s > settings.key_within_s:
            return None
    return None


def _whole(
    settings: EmissionSettings,
) -> Generator[PassStep, Callable[[], Answer], tuple[Seen, ...] | None]:
    """From key-up to key-up; what was swept while keyed, None where it never was."""
    if not settings.keyed:
        return (yield from _measured(settings, ""))
    within = duration_text(settings.key_within_s)
    up = yield from _wait(
        settings, _is_up, f"Leave the key up: looking at the idle level (for at most {within})."
    )
    if up is None:
        yield from _give_up(settings, "It reads as keyed, or nobody can see it: release the key.")
        return None
    low = yield from _wait(
        settings,
        lambda look, _: bool(look.keyed),
        "Check the pads and their order once more. Key at the LOWEST power now, and hold it.",
    )
    if low is None:
        yield from _give_up(settings, f"No key-down within {within}: given up.")
        return None
    if _over_db(settings, low) > TOO_MUCH_DB:
        yield from _release(settings, f"RELEASE THE KEY: {_too_much(settings, low)}")
        return None
    if _over_db(settings, low) < -FULL_WITHIN_DB:
        yield from _full(settings, low)
    seen = yield from _measured(settings, "Hold it: measuring.")
    told = "Release the key now: that was all." if seen and seen[-1].sweep.step == LAST else ""
    yield from _release(settings, told or "Release the key now.")
    return seen


def _over_db(settings: EmissionSettings, look: Look) -> float:
    """How far the fundamental reads above the stated power."""
    if look.fundamental is None or settings.power_dbm is None:
        return 0.0
    return look.fundamental.level_dbm - settings.power_dbm


def _too_much(settings: EmissionSettings, look: Look) -> str:
    assert look.fundamental is not None
    assert settings.power_dbm is not None
    return (
        f"{number_text(look.fundamental.level_dbm, 1)} dBm at the plane, "
        f"{number_text(settings.power_dbm, 1)} dBm are stated. Look at the chain, and at the power "
        "that the transmitter is said to have."
    )


def _full(settings: EmissionSettings, low: Look) -> Asking:
    """From the lowest power to the full one, or to whatever stays the same."""
    assert low.fundamental is not None
    reads = number_text(low.fundamental.level_dbm, 1)
    steady: list[float] = []
    up = [False]

    def done(look: Look, _: Seen) -> bool:
        if look.fundamental is None:
            up[0] = True
            steady.clear()
            return False
        level = look.fundamental.level_dbm
        steady[:] = [one for one in steady if abs(one - level) < STEADY_DB] + [level]
        risen = up[0] or level > low_dbm + STEADY_DB
        enough = risen and len(steady) >= STEADY_LOOKS
        return enough or _over_db(settings, look) >= -FULL_WITHIN_DB

    low_dbm = low.fundamental.level_dbm
    return (
        yield from _wait(
            settings,
            done,
            f"Low power reads {reads} dBm. Release, set the power that is to be measured, "
            "key again and hold it.",
        )
    )


def _measured(
    settings: EmissionSettings, say: str
) -> Generator[PassStep, Callable[[], Answer], tuple[Seen, ...]]:
    """The pass itself."""
    seen: tuple[Seen, ...] = ()
    step = next_step(settings, seen)
    while step is not None:
        told = say if not seen else ""
        answer = (yield PassStep(request=step.request, step=step.step, say=told))()
        seen = (*seen, Seen(setup=answer.setup, sweep=answer.sweep))
        step = next_step(settings, seen)
    return seen


def _release(settings: EmissionSettings, say: str) -> Asking:
    return (yield from _wait(settings, _is_up, say))


def _give_up(settings: EmissionSettings, say: str) -> Pass:
    """A look as a pass of its own, so that there is a summary that says how it was."""
    step = next_step(settings, ())
    assert step is not None
    yield PassStep(request=step.request, step=step.step, say=say)
