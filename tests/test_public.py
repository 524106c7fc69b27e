"""What another program gets that listens with us."""

from __future__ import annotations

from pathlib import Path

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

import clackcount
from clackcount import pipeline  # noqa: F401  what computes is loaded, so that its threads can be counted

SAMPLE = Path(__file__).parents[1] / "sample_audio" / "far_in_wind.wav"


def n_threads() -> set[int]:
    """Of every library of matrix products."""
    return {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}


@pytest.fixture
def two_threads():
    """As a program that computes may have it; the tests themselves run with one."""
    with threadpool_limits(limits=2, user_api="blas"):
        yield


def test_listening_takes_one_thread_and_gives_back_what_there_was(two_threads):
    seen = {frozenset(n_threads())}
    clackcount.listen(SAMPLE, on_progress=lambda _: seen.add(frozenset(n_threads())))
    assert (seen, n_threads()) == ({frozenset({2}), frozenset({1})}, {2})


def test_it_gives_them_back_where_a_recording_cannot_be_used(two_threads, tmp_path):
    silent = tmp_path / "silent.wav"
    silent.write_bytes(SAMPLE.read_bytes()[:44] + bytes(64_000))
    with pytest.raises(clackcount.ClackcountError, match="silent"):
        clackcount.listen(silent)
    assert n_threads() == {2}
