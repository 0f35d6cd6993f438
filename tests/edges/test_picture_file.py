"""A picture's file: which names are taken, and that it is written whole or not at all."""

from __future__ import annotations

import pytest

from support.unprivileged import locked_folder
from windowcast.edges import picture_file
from windowcast.errors import UsageError


@pytest.mark.parametrize(
    ("name", "wanted"), [("a.png", "png"), ("a.b.SVG", "svg"), ("a.Png", "png")]
)
def test_the_ending_says_the_kind(tmp_path, name, wanted):
    assert picture_file.kind(tmp_path / name) == wanted


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("a.pdf", "must end in .png or .svg"),
        ("png", "must end in .png or .svg"),
        ("missing/a.png", "there is no folder"),
        ("folder.png", "is a folder"),
    ],
)
def test_other_names_are_refused_with_what_to_do(tmp_path, name, words):
    (tmp_path / "folder.png").mkdir()
    with pytest.raises(UsageError, match=words):
        picture_file.kind(tmp_path / name)


def test_a_file_is_replaced_keeps_its_mode_and_leaves_nothing_beside_it(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(b"old")
    path.chmod(0o640)
    picture_file.write(path, b"new")
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert [one.name for one in tmp_path.iterdir()] == ["a.png"]


def test_a_new_file_has_the_mode_that_the_user_gives_to_new_files(tmp_path):
    path, ordinary = tmp_path / "a.svg", tmp_path / "ordinary"
    picture_file.write(path, b"new")
    ordinary.write_bytes(b"")
    assert path.stat().st_mode == ordinary.stat().st_mode


def test_where_it_cannot_be_written_the_old_one_stays():
    with locked_folder() as (folder, locked):
        path = folder / "a.png"
        path.write_bytes(b"old")
        with locked(), pytest.raises(UsageError, match="permission denied"):
            picture_file.write(path, b"new")
        assert path.read_bytes() == b"old"


def test_a_folder_that_vanished_is_said_as_such(tmp_path):
    with pytest.raises(UsageError, match="no such file or directory"):
        picture_file.write(tmp_path / "gone" / "a.png", b"new")
