"""What `acqd check` says of a broker that is served to others, and of the live page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.publish.sharing_served import Serve

__all__ = ["shack_lines"]


def shack_lines(loaded: StationConfig, *, now_s: float) -> Iterator[str]:
    """A line each: who is served and how, until when the certificates hold, where the page is."""
    from acqd.errors import BrokerError
    from acqd.publish.settings import is_loopback
    from acqd.publish.sharing import read_accounts
    from acqd.station.build import serve_of

    serve = serve_of(loaded)
    if serve is not None:
        try:
            kinds = [account.kind for account in read_accounts(serve.folder)]
            who = f"{kinds.count('station')} stations, {kinds.count('viewer')} viewers"
            if commanding := kinds.count("administrator"):
                who += f", {commanding} administrators"
            yield f"shack     {serve.describe()}{'' if serve.open else f': {who}'}"
            if serve.address.tls:
                yield from _certificates(serve, loaded.station.time_zone, now_s)
        except BrokerError as exc:
            yield f"shack     cannot be served: {exc}"
        for warning in serve.warnings():
            yield f"caution   {warning}"
    if loaded.dash is not None:
        page = loaded.dash.endpoint
        token = "" if is_loopback(page) else ", with a token (acqd share page shows it)"
        yield f"live page http://{page}/{token}"


def _certificates(serve: Serve, zone: str, now_s: float) -> Iterator[str]:
    from acqd.look.times import date
    from acqd.publish.sharing_certificate import AUTHORITY, BROKER, RENEW_DAYS, certificate_in

    broker, authority = (certificate_in(serve.folder / name) for name in (BROKER, AUTHORITY))
    if broker is None or authority is None:
        yield "          its certificates are made at the first start"
        return
    ends = f"until {date(broker.to_s, zone)}"
    left_days = broker.left_days(now_s)
    if broker.from_s > now_s:
        said = f"begins on {date(broker.from_s, zone)}: is this machine's clock right?"
    elif left_days < 0:
        said = f"has ended ({ends}): nobody comes in until the station is started anew"
    elif left_days < RENEW_DAYS:
        said = f"holds {ends}, {left_days:.0f} days; a running station makes the next one"
    else:
        said = f"holds {ends}; the station makes the next one {RENEW_DAYS} days before"
    yield f"          its certificate {said}"
    said = f"          the shack's authority holds until {date(authority.to_s, zone)}"
    yield said + ("" if authority.to_s > now_s else ": it has ended, and all have to join again")
