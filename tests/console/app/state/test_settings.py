from __future__ import annotations

from pathlib import Path

from console.app.state.settings import Settings, encoded_settings, read_settings, write_settings


def test_the_theme_is_remembered(tmp_path: Path) -> None:
    assert write_settings(tmp_path, encoded_settings(Settings(theme="orchard"))) == ""
    assert read_settings(tmp_path).theme == "orchard"


def test_broken_settings_are_begun_anew(tmp_path: Path) -> None:
    (tmp_path / "settings.json").write_text("theme: orchard")
    assert read_settings(tmp_path) == Settings()


def test_settings_that_cannot_be_written_are_told(tmp_path: Path) -> None:
    (tmp_path / "home").touch()
    assert "cannot be written" in write_settings(tmp_path / "home", b"{}")
