"""The tables as they are now. Every table begins with clackcount_, so that a server may hold others beside them.

History of VERSION (each step is in ``migrations``): 1 sites, trials, settings, catches. 2 restarts and repairs.

Texts are stored as typed, values in SI. Times are ISO 8601 in UTC with "Z", which sorts as it reads. Documents are
JSON in text columns, because that comes back letter by letter from any database.
"""

from __future__ import annotations

from sqlalchemy import Column, Float, ForeignKey, Integer, MetaData, String, Table, Text, UniqueConstraint

VERSION = 2

metadata = MetaData()

meta = Table(
    "clackcount_meta",
    metadata,
    Column("name", String(40), primary_key=True),  # "schema" holds VERSION
    Column("value", String(200), nullable=False),
)

sites = Table(
    "clackcount_site_text",
    metadata,
    Column("sha256", String(64), primary_key=True),  # of the text: each version of a site file is kept once
    Column("text", Text, nullable=False),
)

trials = Table(
    "clackcount_trial",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),  # given by us, never twice
    Column("uid", String(36), nullable=False, unique=True),
    Column("site", String(200), nullable=False, index=True),
    Column("at", String(32), nullable=False),
    Column("note", Text, nullable=False),
    Column("site_sha256", String(64), ForeignKey("clackcount_site_text.sha256")),
    Column("recording_path", Text),
    Column("recording_sha256", String(64)),
    Column("recording_bytes", Integer),
    Column("heard_json", Text),  # raw input: what was heard, slam by slam
    Column("result_version", String(40)),  # the program that made the result
    Column("result_at", String(32)),
    Column("figures_json", Text),  # the few figures that lists and comparisons need
    Column("result_json", Text),  # all of the result
    Column("removed_at", String(32)),  # set: struck out, a tombstone
)


def _amounts(name: str) -> Table:
    return Table(
        name,
        metadata,
        Column("trial", Integer, ForeignKey("clackcount_trial.number"), primary_key=True),
        Column("place", Integer, primary_key=True),  # order as given
        Column("name", String(40), nullable=False),
        Column("given", Text, nullable=False),
        Column("value", Float(53)),
        Column("u", Float(53)),  # standard uncertainty
        Column("unit", String(20), nullable=False),
        UniqueConstraint("trial", "name"),
    )


settings = _amounts("clackcount_setting")  # what was chosen
conditions = _amounts("clackcount_condition")  # what was so

catches = Table(
    "clackcount_catch",
    metadata,
    Column("trial", Integer, ForeignKey("clackcount_trial.number"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("given", Text, nullable=False),
    Column("side", String(10), nullable=False),
    Column("volume_m3", Float(53), nullable=False),
    Column("volume_u_m3", Float(53), nullable=False),
    Column("time_s", Float(53), nullable=False),
    Column("time_u_s", Float(53), nullable=False),
    Column("vessel", String(40), nullable=False),
    Column("vessel_u", Float(53), nullable=False),
    Column("start_s", Float(53)),
    Column("end_s", Float(53)),
    Column("n_slams", Integer),
    Column("measures", String(10), nullable=False),
)

events = Table(
    "clackcount_event",
    metadata,
    Column("uid", String(36), primary_key=True),
    Column("site", String(200), nullable=False, index=True),
    Column("at", String(32), nullable=False),
    Column("kind", String(10), nullable=False),  # restart, repair or note
    Column("text", Text, nullable=False),
)
