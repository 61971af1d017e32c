"""Finding sweepers that profiles describe.

Addresses that the user named are listed with the profile that their options name. Serial ports are
listed where their USB ids stand in a profile that is known: named by a config, in the user's
folder, or shipped. Only with ``probe`` is a port opened and asked, by the profile's own
``[identify]`` and after its own pause. A profile that has problems finds nothing; ``acqd profile
check`` tells them.

What then is settled by nobody, an address that was named without a profile or with ``probe`` a
serial port, is guessed at: the profiles that are known ask one after the other, those of configs
first, then the user's, then the shipped ones. Limits: :data:`GUESSED_MAX` of them at one address,
:data:`ASKED_WITHIN_S` for each wait, :data:`GUESS_WITHIN_S` for all addresses together. A slower
sweeper is found by its own profile alone. A profile whose ``expect`` fits silence or the echo of
its question takes no part.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from acqd.drivers.contract import Candidate, Certainty, FindContext, SerialPort, Transport
from acqd.drivers.transport import check_address
from acqd.errors import (
    ConfigError,
    PortBusy,
    ProtocolViolation,
    RequestRefused,
    SweeperError,
)
from acqd.sweep import Identity
from acqd_lines.profile import Profile, find_profile, known_profiles, load_profile
from acqd_lines.talk import Conversation
from acqd_lines.who import who_answers

__all__ = ["candidates", "guesses"]

TRIED_MAX: Final = 4
"""Profiles that one port is asked by: each may take its pause and its timeout."""

GUESSED_MAX: Final = 8
"""Profiles that ask at one address of unknown kind."""

ASKED_WITHIN_S: Final = 1.0
"""For the pause of a profile, for silence, and for an answer, each, while guessing."""

GUESS_WITHIN_S: Final = 9.0
"""After which no more is asked; the last question may take some seconds more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """A profile by the name that a config would say."""

    name: str
    profile: Profile


def candidates(context: FindContext) -> Iterator[Candidate]:
    """What there is; see the module's text."""
    for named in context.named:
        try:
            check_address(named.address)
        except RequestRefused:
            continue  # another driver's, or nobody's
        if "profile" in named.options:
            yield _named(context, named.address, named.options)
    taken = {named.address for named in context.named if named.options}
    known = _known(context)
    for port in context.serial_ports():
        address = f"serial:{port.device}"
        fitting = [one for one in known if _fits(one.profile, port)]
        if fitting and address not in taken:
            yield _at_port(context, address, port, fitting)


def guesses(context: FindContext) -> Iterator[Candidate]:
    """Who answers by which profile where nobody knows what is there; see the module's text."""
    until_s = time.monotonic() + GUESS_WITHIN_S
    known = _known(context)
    hasty = [_hasty(one) for one in known if _is_telling(one.profile)][:GUESSED_MAX]
    places = {one.address: "" for one in context.named if not one.options and _is_ours(one.address)}
    for port in context.serial_ports():
        if not any(_fits(one.profile, port) for one in known):
            places[f"serial:{port.device}"] = port.location
    for address, location in places.items():
        found = _guessed(context, address, hasty, until_s)
        if found is not None:
            yield _located(found, location)


def _guessed(
    context: FindContext, address: str, hasty: Sequence[_Known], until_s: float
) -> Candidate | None:
    for one in hasty:
        if time.monotonic() > until_s:
            break
        try:
            link = context.connect(address, one.profile.link.as_options())
        except SweeperError:
            break  # the next would not come further
        try:
            identity = _answering(one.profile, link, after_others=True)
        except SweeperError:
            continue
        finally:
            link.close()
        return Candidate(
            driver="lines",
            address=address,
            what=f"{identity}, by the profile {one.name}",
            certainty=Certainty.ANSWERED,
            identity=identity,
            options={"profile": one.name},
        )
    return None


def _is_ours(address: str) -> bool:
    try:
        check_address(address)
    except RequestRefused:
        return False
    return True


def _is_telling(profile: Profile) -> bool:
    """Whether silence, or an echo of the question, is not taken for the sweeper."""
    ask = profile.identify
    try:
        return not any(ask.expect.search(said) for said in ("", *(one.text for one in ask.send)))
    except ProtocolViolation:
        return False


def _hasty(known: _Known) -> _Known:
    """With no more patience than there is for a guess."""
    most, profile = ASKED_WITHIN_S, known.profile
    waits = ("pause_s", "quiet_s", "quiet_limit_s", "timeout_s", "pace_s")
    talk = profile.talk.model_copy(
        update={name: min(getattr(profile.talk, name), most) for name in waits}
    )
    ask = profile.identify.model_copy(
        update={"timeout_s": min(profile.identify.timeout_s or most, most)}
    )
    return replace(known, profile=profile.model_copy(update={"talk": talk, "identify": ask}))


def _known(context: FindContext) -> Sequence[_Known]:
    """Profiles that can be used, those of configs first, each once."""
    names = [named.options.get("profile") for named in context.named]
    found: dict[str, _Known] = {}
    for name in (*names, *known_profiles()):
        if isinstance(name, str) and name not in found:
            profile = _loaded(name)
            if profile is not None:
                found[name] = _Known(name=name, profile=profile)
    return tuple(found.values())


def _loaded(name: str) -> Profile | None:
    try:
        return load_profile(find_profile(name))
    except (ConfigError, RequestRefused):
        return None


def _fits(profile: Profile, port: SerialPort) -> bool:
    return any(
        (one.vid, one.pid) == (port.vid, port.pid)
        and one.product.casefold() in port.description.casefold()
        for one in profile.usb
    )


def _named(context: FindContext, address: str, options: Mapping[str, Any]) -> Candidate:
    name = str(options["profile"])
    candidate = Candidate(
        driver="lines",
        address=address,
        what=_unasked(address),
        certainty=Certainty.LISTED,
        options=dict(options),
    )
    try:
        profile = load_profile(find_profile(name))
    except RequestRefused as error:
        return replace(candidate, what=str(error))
    except ConfigError as error:
        return replace(candidate, what=f"its profile cannot be used: {error.problems[0]}")
    if not context.probe:
        return candidate
    return _asked(context, candidate, _Known(name=name, profile=profile))


def _at_port(
    context: FindContext, address: str, port: SerialPort, fitting: Sequence[_Known]
) -> Candidate:
    listed = [
        Candidate(
            driver="lines",
            address=address,
            what=f"{one.profile.title}, by its USB ids",
            certainty=Certainty.LISTED,
            options={"profile": one.name},
        )
        for one in fitting[:TRIED_MAX]
    ]
    if not context.probe:
        return listed[0]
    asked = listed[0]
    for candidate, one in zip(listed, fitting, strict=False):
        asked = _asked(context, candidate, one)
        if asked.certainty is not Certainty.LISTED:
            break
    return _located(asked, port.location)


def _located(candidate: Candidate, location: str) -> Candidate:
    if candidate.identity is None or not location:
        return candidate
    return replace(candidate, identity=replace(candidate.identity, location=location))


def _unasked(address: str) -> str:
    scheme, _, path = address.partition(":")
    if scheme.lower() == "serial" and not os.path.exists(path):
        return f"there is no {path}; is the sweeper plugged in?"
    return "named by the user"


def _asked(context: FindContext, candidate: Candidate, known: _Known) -> Candidate:
    """``candidate`` with who answers there by ``known``, or why nobody does."""
    profile, address = known.profile, candidate.address
    link, who = None, None
    certainty = Certainty.LISTED
    try:
        link = context.connect(address, {**profile.link.as_options(), **candidate.options})
        identity = _answering(profile, link)
        who, what, certainty = identity, str(identity), Certainty.ANSWERED
    except PortBusy as error:
        what, certainty = str(error).removeprefix(f"{address}: "), Certainty.BUSY
    except ProtocolViolation as error:
        what = f"something else answers: {error}"
    except SweeperError as error:
        what = f"does not answer: {str(error).removeprefix(f'{address}: ')}"
    finally:
        if link is not None:
            link.close()
    return replace(candidate, what=what, certainty=certainty, identity=who)


def _answering(profile: Profile, link: Transport, *, after_others: bool = False) -> Identity:
    talk = Conversation(profile, link)
    talk.begin()
    if after_others:
        # Questions in other languages may stand there as a line that has not ended yet.
        talk.write(profile.talk.end_bytes)
        talk.read_away()
    return who_answers(profile, talk)
