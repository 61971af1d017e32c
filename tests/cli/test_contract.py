"""``acqd contract``: the AsyncAPI document of all messages."""

from __future__ import annotations

from pathlib import Path
from typing import Any


def test_the_document_is_printed(acqd: Any) -> None:
    """AsyncAPI 3, as JSON."""
    answer = acqd("contract")
    assert answer.code == 0
    assert answer.json["asyncapi"].startswith("3.")
    assert len(answer.json["channels"]) >= 9


def test_with_a_config_it_is_that_stations(acqd: Any, folder: Path) -> None:
    """Its name, topic root and broker stand in it."""
    config = folder / "station.toml"
    broker = 'broker = "mqtt://broker.example:1884"\ntopic_root = "ledge"'
    config.write_text(config.read_text().replace('broker = "none"', broker))
    answer = acqd("contract", str(config))
    assert answer.code == 0
    assert "broker.example:1884" in answer.out and "ledge/" in answer.out
    addresses = [channel["address"] for channel in answer.json["channels"].values()]
    assert all(address.startswith("ledge/") for address in addresses)


def test_a_station_without_a_broker_has_a_document_too(acqd: Any, folder: Path) -> None:
    """Nothing is published, but it can be read what would be."""
    assert acqd("contract", str(folder / "station.toml")).code == 0


def test_a_config_that_is_not_there(acqd: Any, tmp_path: Path) -> None:
    """Exit code 2."""
    assert acqd("contract", str(tmp_path / "no.toml")).code == 2
