"""Tables of the logbook, as the steps that lead to them.

``user_version`` of the file counts the steps taken. A step, once released, is never edited:
a change is a new step at the end, and old books walk through all of them.
"""

from __future__ import annotations

APPLICATION_ID = 0x5152_4C42  # "QRLB": tells a logbook from any other SQLite file

_FIRST = """
CREATE TABLE machines (
  id INTEGER PRIMARY KEY,
  tag TEXT NOT NULL UNIQUE COLLATE NOCASE,
  place TEXT NOT NULL DEFAULT '',
  mains_hz REAL, poles INTEGER, bearings TEXT NOT NULL DEFAULT '[]', fan_blades INTEGER,
  burr_mm REAL, phone TEXT, notes TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE visits (
  id INTEGER PRIMARY KEY,
  machine_id INTEGER NOT NULL REFERENCES machines(id) ON DELETE CASCADE,
  day TEXT NOT NULL,
  note TEXT NOT NULL DEFAULT '',
  UNIQUE (machine_id, day)
) STRICT;
CREATE TABLE clips (
  id INTEGER PRIMARY KEY,
  sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
  visit_id INTEGER NOT NULL REFERENCES visits(id) ON DELETE CASCADE,
  path TEXT NOT NULL,
  at TEXT NOT NULL, at_utc TEXT NOT NULL,
  date_source TEXT NOT NULL, zone TEXT NOT NULL, zone_known INTEGER NOT NULL,
  stage TEXT NOT NULL, temperature TEXT, burr_setting TEXT NOT NULL DEFAULT '',
  opened INTEGER, parts_changed TEXT NOT NULL DEFAULT '[]',
  phone TEXT, note TEXT NOT NULL DEFAULT '', added_at TEXT NOT NULL
) STRICT;
CREATE INDEX clips_by_visit ON clips(visit_id);
CREATE TABLE analyses (
  id INTEGER PRIMARY KEY,
  clip_id INTEGER NOT NULL REFERENCES clips(id) ON DELETE CASCADE,
  made_at TEXT NOT NULL, model_sha256 TEXT, verdict TEXT NOT NULL,
  report TEXT NOT NULL, evidence TEXT NOT NULL, scores TEXT NOT NULL
) STRICT;
CREATE INDEX analyses_by_clip ON analyses(clip_id);
CREATE TABLE confirmations (
  id INTEGER PRIMARY KEY,
  clip_id INTEGER NOT NULL REFERENCES clips(id) ON DELETE CASCADE,
  what TEXT NOT NULL, said_at TEXT NOT NULL, note TEXT NOT NULL DEFAULT '',
  UNIQUE (clip_id, what)
) STRICT;
"""

_LIMITS_AND_LIFE = """
ALTER TABLE analyses ADD COLUMN bands TEXT NOT NULL DEFAULT '{}';
ALTER TABLE machines ADD COLUMN burr_life_kg TEXT;
CREATE TABLE changes (
  id INTEGER PRIMARY KEY,
  machine_id INTEGER NOT NULL REFERENCES machines(id) ON DELETE CASCADE,
  at TEXT NOT NULL, at_utc TEXT NOT NULL, part TEXT NOT NULL, note TEXT NOT NULL DEFAULT '',
  UNIQUE (machine_id, at_utc, part)
) STRICT;
CREATE TABLE throughput (
  id INTEGER PRIMARY KEY,
  machine_id INTEGER NOT NULL REFERENCES machines(id) ON DELETE CASCADE,
  at TEXT NOT NULL, at_utc TEXT NOT NULL,
  kg REAL NOT NULL CHECK (kg >= 0), per_week INTEGER NOT NULL,
  UNIQUE (machine_id, at_utc, per_week)
) STRICT;
CREATE TABLE limits (
  id INTEGER PRIMARY KEY,
  machine_id INTEGER NOT NULL REFERENCES machines(id) ON DELETE CASCADE,
  phone TEXT NOT NULL, stage TEXT NOT NULL, made_at TEXT NOT NULL, limits TEXT NOT NULL,
  UNIQUE (machine_id, phone, stage)
) STRICT;
"""

STEPS = (_FIRST, _LIMITS_AND_LIFE)
VERSION = len(STEPS)
