"""Who answers at the other end, by a profile's ``[identify]``, and coming to terms with it."""

from __future__ import annotations

import time
from collections.abc import Callable

from acqd.errors import ProtocolViolation, SweeperReported, TransportTimeout
from acqd.sweep import Identity
from acqd_lines.frames import shown_text
from acqd_lines.profile import Profile
from acqd_lines.talk import Conversation

__all__ = ["first_contact", "identity_in", "who_answers"]


def first_contact(
    profile: Profile, talk: Conversation, before: Callable[[], None] = lambda: None
) -> Identity:
    """Who is there, after whatever an old conversation left behind.

    A sweep that was given up may still be going on: then nothing is answered until it is over, and
    first come its levels. So for ``recover`` of the profile whatever does not fit is read away and
    the question asked anew, and after that nothing may be left of it. ``before`` is done before
    each question: the source goes off first.

    Raises:
        SweeperError: as :func:`who_answers`, of the last try.
    """
    until_s = time.monotonic() + profile.talk.recover_s
    tried = 0
    while True:
        try:
            before()
            identity = who_answers(profile, talk)
            if not (tried and talk.read_away()):
                return identity
        except (ProtocolViolation, SweeperReported, TransportTimeout) as error:
            if time.monotonic() > until_s:
                if isinstance(error, TransportTimeout):
                    why = f"is it the sweeper of the profile {profile.title!r}, and at this rate?"
                    raise TransportTimeout(f"{error}; {why}", partial=error.partial) from error
                raise
            talk.restart()
            talk.read_away()
        tried += 1


def who_answers(profile: Profile, talk: Conversation) -> Identity:
    """Who it says it is. Asked twice: a serial line has no connection that ends with an old
    conversation, so an answer to that one may still come, and then the two are not the same.

    Raises:
        ProtocolViolation: what answers is not what the profile is for.
        SweeperError: it does not answer.
    """
    ask = profile.identify
    first = talk.send(ask.send, ask.answer, timeout_s=ask.timeout_s).text
    identity = identity_in(profile, first)
    second = talk.send(ask.send, ask.answer, timeout_s=ask.timeout_s).text
    if second != first:
        raise ProtocolViolation(
            expected=f"{first[:60]!r} again when asked twice who it is", got=second
        )
    return identity


def identity_in(profile: Profile, answer: str) -> Identity:
    """The identity that ``answer`` tells.

    Raises:
        ProtocolViolation: it does not fit what the profile expects.
    """
    ask = profile.identify
    match = ask.expect.search(answer)
    if match is None:
        raise ProtocolViolation(
            expected=f"the sweeper of the profile {profile.title!r}, whose answer to "
            f"{ask.send[-1].text!r} fits {ask.expect.text!r}",
            got=answer,
        )
    told = {name: shown_text(text or "") for name, text in match.groupdict().items()}
    return Identity(**{"maker": ask.maker, "model": ask.model, **told})
