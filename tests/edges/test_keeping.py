"""Nothing is overwritten, not even by two runs at once."""

from __future__ import annotations

import os
import threading

import pytest

from taptone.edges.keeping import alone_in, put_file


def test_a_folder_that_is_held_is_waited_for(tmp_path):
    target = tmp_path / "b3.png"
    other = threading.Thread(target=put_file, args=(target, b"two"))
    with alone_in(tmp_path):
        other.start()
        other.join(0.3)
        assert not target.exists()
        target.write_bytes(b"one")
    other.join()
    assert target.read_bytes() == b"two"
    assert (tmp_path / "b3.earlier-1.png").read_bytes() == b"one"


def test_runs_at_once_lose_nothing(tmp_path):
    """More of them than one machine has cores, all at the same moment."""
    contents = [b"%d" % n for n in range(12)]
    start = threading.Barrier(len(contents))

    def run(content):
        start.wait()
        put_file(tmp_path / "good.json", content)

    runs = [threading.Thread(target=run, args=(content,)) for content in contents]
    for one in runs:
        one.start()
    for one in runs:
        one.join()
    assert sorted(path.read_bytes() for path in tmp_path.iterdir()) == sorted(contents)


def test_a_stop_half_way_leaves_the_earlier_file_and_nothing_else(tmp_path, monkeypatch):
    target = tmp_path / "good.json"
    target.write_bytes(b"one")

    def stopped(_handle):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", stopped)
    with pytest.raises(KeyboardInterrupt):
        put_file(target, b"two")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("good.json", b"one")]
