"""Finding sweepers that profiles describe.

Addresses that the user named are listed with the profile that their options name. Serial ports are
listed where their USB ids stand in a profile that is known: named by a config, in the user's
folder, or shipped. Only with ``probe`` is a port opened and asked, by the profile's own
``[identify]`` and after its own pause. A profile that has problems finds nothing; ``acqd profile
check`` tells them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from acqd.drivers.contract import Candidate, Certainty, FindContext, SerialPort
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

__all__ = ["candidates"]

TRIED_MAX: Final = 4
"""Profiles that one port is asked by: each may take its pause and its timeout."""


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
    taken = {named.address for named in context.named}
    known = _known(context)
    for port in context.serial_ports():
        address = f"serial:{port.device}"
        fitting = [one for one in known if _fits(one.profile, port)]
        if fitting and address not in taken:
            yield _at_port(context, address, port, fitting)


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
    if asked.identity is not None and port.location:
        asked = replace(asked, identity=replace(asked.identity, location=port.location))
    return asked


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
        talk = Conversation(profile, link)
        talk.begin()
        identity: Identity = who_answers(profile, talk)
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
