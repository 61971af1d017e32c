"""Config files: where they are looked for, and what is said where they cannot be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from acqd.config.load import find_config, load_config
from acqd.errors import ConfigError


def test_file_that_cannot_be_read(tmp_path: Path) -> None:
    """Not there, a folder, not UTF-8, too large: one clear problem each."""
    (tmp_path / "station.toml").write_text("")
    (tmp_path / "utf16.toml").write_bytes("a = 1".encode("utf-16"))
    (tmp_path / "late.toml").write_bytes(b"a = 1\n# \xff\n")
    (tmp_path / "large.toml").write_bytes(b"#" * 1_000_001)
    for name, words in {
        "statoin.toml": "there is no such file; did you mean station.toml?",
        "utf16.toml": "not UTF-8",
        "late.toml": "late.toml:2: the file: not UTF-8",
        "large.toml": "larger than 1000 kB",
        ".": "this is a folder",
    }.items():
        with pytest.raises(ConfigError) as caught:
            load_config(tmp_path / name)
        assert len(caught.value.problems) == 1
        assert words in str(caught.value)


def test_config_is_looked_for_in_order(tmp_path: Path) -> None:
    """Here, then the user's folder, then systemd's; the first that is there is taken."""
    here, user, system = (tmp_path / name for name in ("here", "user", "system"))
    environ = {
        "HOME": str(tmp_path / "home"),
        "XDG_CONFIG_HOME": str(user),
        "CONFIGURATION_DIRECTORY": f"{tmp_path / 'empty'}:{system}",
    }
    places = [here / "station.toml", user / "acqd/station.toml", system / "station.toml"]
    for place in places:
        place.parent.mkdir(parents=True)
        place.write_text("")
    for place in places:
        assert find_config(folder=here, environ=environ) == place
        place.unlink()
    if not Path("/etc/acqd/station.toml").exists():
        with pytest.raises(ConfigError) as caught:
            find_config(folder=here, environ=environ)
        assert all(str(place) in str(caught.value) for place in places)


def test_config_folder_of_the_user_without_xdg(tmp_path: Path) -> None:
    """Without a usable XDG_CONFIG_HOME it is ~/.config; a relative one is ignored."""
    place = tmp_path / ".config/acqd/station.toml"
    place.parent.mkdir(parents=True)
    place.write_text("")
    for environ in ({"HOME": str(tmp_path)}, {"HOME": str(tmp_path), "XDG_CONFIG_HOME": "rel"}):
        assert find_config(folder=tmp_path, environ=environ) == place


def test_given_config_is_taken(tmp_path: Path) -> None:
    """A path is taken as it is; for a folder its station.toml is meant."""
    assert find_config(tmp_path / "x.toml") == tmp_path / "x.toml"
    assert find_config(str(tmp_path)) == tmp_path / "station.toml"
