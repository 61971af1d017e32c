"""What ``acqd chain amend`` was told of a chain, as figures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from acqd.archive.amendments import PartTable
    from acqd.chain import Chain
    from acqd.station.amending import Wish

__all__ = ["wish_of"]

FILE_MOST_BYTES = 1 << 20


def wish_of(options: Mapping[str, Any]) -> Wish:
    """The one thing that is to be amended.

    Raises:
        WrongUsage: options that do not go together, or that are no quantities.
    """
    from acqd.errors import WrongUsage
    from acqd.station.amending import Wish

    forms = [name for name in ("part", "remove", "add", "chain_file") if options[name] is not None]
    figures = [name for name in ("loss", "gain", "losses") if options[name] is not None]
    if len(forms) != 1:
        raise WrongUsage(
            "say what was otherwise, one thing at a time: --part NAME, --remove NAME, --add NAME "
            "or --chain FILE.toml"
        )
    (form,) = forms
    if form in ("remove", "chain_file") and (figures or options["uncertainty"] is not None):
        raise WrongUsage(f"--{form.removesuffix('_file')} needs no figure; leave it out")
    if form in ("part", "add") and len(figures) != 1:
        raise WrongUsage(
            f'--{form} {options[form]!r} needs one figure: --loss "10 dB", --gain "18.5 dB" or '
            f"--loss-at FILE"
        )
    u_db = _decibels(options["uncertainty"], "--uncertainty", least=0.0)
    if form == "remove":
        return Wish(remove=options["remove"])
    if form == "chain_file":
        return Wish(whole=_whole(options["chain_file"]))
    table = _table(options)
    if form == "part":
        return Wish(part=options["part"], table=table, uncertainty_db=u_db)
    return Wish(add=_added(str(options["add"]), table, u_db))


def _added(name: str, table: PartTable, u_db: float | None) -> Any:
    from acqd.chain import ChainPart, PartKind
    from acqd.config.models import UNCERTAINTY_DB
    from acqd.errors import WrongUsage

    name = " ".join(name.split())
    if not name or len(name) > 200:
        raise WrongUsage("--add needs the part's name, of at most 200 characters")
    # The first kind that its name says: "3 m cable" is a cable.
    kind = next((one for one in PartKind if one.value in name.casefold()), PartKind.OTHER)
    if u_db is None:
        u_db = UNCERTAINTY_DB.get(kind.value, UNCERTAINTY_DB["other"])
    return ChainPart(
        kind=kind, name=name, frequency_hz=table[0], gain_db=table[1], uncertainty_db=u_db
    )


def _decibels(text: str | None, option: str, *, least: float) -> float | None:
    from acqd.config.quantity import DIFFERENCE, QuantityError, parse_quantity
    from acqd.errors import WrongUsage

    if text is None:
        return None
    try:
        found = parse_quantity(text, DIFFERENCE)
    except QuantityError as exc:
        raise WrongUsage(f"{option}: {exc}") from exc
    if found < least:
        raise WrongUsage(f"{option} {text}: below {least:g} dB; a gain is said with --gain")
    return found


def _table(options: Mapping[str, Any]) -> PartTable:
    if options["losses"] is not None:
        return _read(str(options["losses"]))
    if options["gain"] is not None:
        gain_db = _decibels(options["gain"], "--gain", least=-300.0)
        return (0.0,), (float(gain_db or 0.0),)
    loss_db = _decibels(options["loss"], "--loss", least=0.0)
    # Not −0.0, which other figures of the same would not be equal to in a file.
    return (0.0,), (0.0 - float(loss_db or 0.0),)


def _text_of(path: str) -> str:
    from pathlib import Path

    from acqd.errors import WrongUsage

    try:
        raw = Path(path).read_bytes()
        if len(raw) > FILE_MOST_BYTES:
            raise WrongUsage(f"{path}: larger than 1 MiB; that is no table of losses")
        return raw.decode("utf-8-sig")
    except OSError as exc:
        raise WrongUsage(f"{path}: cannot be read: {exc.strerror or exc}") from exc
    except UnicodeDecodeError as exc:
        raise WrongUsage(f"{path}: no UTF-8 text; expected lines such as 100 MHz, 1.1 dB") from exc


def _read(path: str) -> PartTable:
    """A table of losses: a frequency and a loss a line, with their units; # begins a remark."""
    from acqd.config.quantity import DIFFERENCE, FREQUENCY, QuantityError, parse_quantity
    from acqd.errors import WrongUsage

    points: list[tuple[float, float]] = []
    for number, line in enumerate(_text_of(path).splitlines(), 1):
        line = line.partition("#")[0].strip()
        if not line:
            continue
        cells = [cell.strip() for cell in line.replace(";", ",").replace("\t", ",").split(",")]
        if len(cells) != 2:
            raise WrongUsage(
                f"{path}, line {number}: expected a frequency and a loss, such as 100 MHz, 1.1 dB"
            )
        try:
            hz, db = parse_quantity(cells[0], FREQUENCY), parse_quantity(cells[1], DIFFERENCE)
        except QuantityError as exc:
            raise WrongUsage(f"{path}, line {number}: {exc}") from exc
        if points and hz <= points[-1][0]:
            raise WrongUsage(f"{path}, line {number}: the frequencies must rise from line to line")
        points.append((hz, 0.0 - db))
    if not points:
        raise WrongUsage(f"{path}: no line with a loss; expected lines such as 100 MHz, 1.1 dB")
    return tuple(hz for hz, _ in points), tuple(db for _, db in points)


def _whole(path: str) -> Chain:
    """The one chain of a TOML file, which has it as a config does."""
    from pathlib import Path

    from acqd.config.models import ChainTable
    from acqd.config.reading import parse_toml, read_text
    from acqd.config.tablereader import TableReader
    from acqd.errors import ConfigError, WrongUsage

    data, places = parse_toml(path, read_text(Path(path)))
    reader = TableReader(data, places, tables={}, families={"chain": ChainTable})
    chains = reader.family("chain", ChainTable)
    if reader.problems:
        raise ConfigError(tuple(reader.problems))
    if len(chains) != 1:
        raise WrongUsage(
            f"{path}: {len(chains)} chains; expected one [chain.NAME] with its parts, as in a "
            f"config"
        )
    return next(iter(chains.values())).to_chain()
