"""Templates of pages, and what they are compiled to.  No source: laws of our own."""

from pathlib import Path

import pytest

from maskforge.report.page import templates

CONTENT = "{% for one in [1, 2] %}{{ one }}{% endfor %}"


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where compiled templates go to."""
    folder = tmp_path / "kept"
    monkeypatch.setattr(templates, "_beside_modules", lambda: str(folder))
    monkeypatch.setattr(templates, "source", lambda file: CONTENT)
    monkeypatch.setattr(templates.sys, "dont_write_bytecode", False)
    return folder


def rendered() -> str:
    return templates.environment().get_template("some").render()


def test_compiled_templates_are_kept_and_follow_their_text(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert rendered() == "12"
    (file,) = kept.iterdir()
    before = file.read_bytes()
    assert rendered() == "12"
    assert file.read_bytes() == before
    monkeypatch.setattr(templates, "source", lambda file: CONTENT + "!")
    assert rendered() == "12!"
    assert file.read_bytes() != before


def test_what_is_kept_badly_or_nowhere_is_compiled_anew(kept: Path) -> None:
    rendered()
    (file,) = kept.iterdir()
    file.write_bytes(b"nothing of the kind")
    assert rendered() == "12"
    whole = file.read_bytes()
    for length in range(0, len(whole), 7):
        file.write_bytes(whole[:length])
        assert rendered() == "12"
    file.unlink()
    kept.rmdir()
    kept.write_text("a file where the folder would be")
    assert rendered() == "12"


def test_nothing_is_kept_where_python_keeps_nothing(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(templates.sys, "dont_write_bytecode", True)
    assert rendered() == "12"
    assert not kept.exists()
