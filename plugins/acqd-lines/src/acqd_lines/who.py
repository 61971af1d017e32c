"""Who answers at the other end, by a profile's ``[identify]``."""

from __future__ import annotations

from acqd.errors import ProtocolViolation
from acqd.sweep import Identity
from acqd_lines.profile import Profile
from acqd_lines.talk import Conversation

__all__ = ["identity_in", "who_answers"]


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
        raise ProtocolViolation(expected=f"{first!r} again when asked twice who it is", got=second)
    return identity


def identity_in(profile: Profile, answer: str) -> Identity:
    """The identity that ``answer`` tells.

    Raises:
        ProtocolViolation: it does not fit what the profile expects.
    """
    ask = profile.identify
    match = ask.expect.compiled.search(answer)
    if match is None:
        raise ProtocolViolation(
            expected=f"the sweeper of the profile {profile.title!r}, whose answer to "
            f"{ask.send[-1].text!r} fits {ask.expect.text!r}",
            got=answer,
        )
    told = {name: (text or "").strip() for name, text in match.groupdict().items()}
    return Identity(**{"maker": ask.maker, "model": ask.model, **told})
