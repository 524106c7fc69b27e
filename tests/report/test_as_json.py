"""JSON in pieces is the JSON of the whole."""

from __future__ import annotations

import json

import pytest
from handmade import listening_of, train_of

from clackcount.errors import RecordingError
from clackcount.report import as_json


@pytest.mark.parametrize("name", ["no_ram", "steady", "stopped"])
@pytest.mark.parametrize("at_once", [1, 7, 4096])
def test_pieces_join_to_the_document(name, at_once, request, monkeypatch):
    monkeypatch.setattr(as_json, "SLAMS_AT_ONCE", at_once)
    listening = request.getfixturevalue(name)
    assert "".join(as_json.pieces(listening)) == json.dumps(listening.to_dict()) + "\n"


@pytest.mark.parametrize("path", ['"slams": [].wav', "brook \u2013 früh.wav", "two\nlines.wav", "\\", "\udcff.wav"])
def test_odd_file_names_come_back_on_one_line(path):
    listening = listening_of(train_of([1.0, 2.0]), path=path)
    line = "".join(as_json.pieces(listening))
    assert line.count("\n") == 1
    assert json.loads(line) == listening.to_dict()
    assert json.loads(as_json.error_line(path, RecordingError("empty")))["recording"]["path"] == path
