"""The catalogue's tables, version by version. ``PRAGMA user_version`` of the file says how far it is.

``package`` has a row for each package, with what a search wants to know of all its bolts before it looks at any;
``run`` one for each name of its runs, with the same for the bolts of that run; ``bolt`` one for each bolt of
survey.json, kept together by package; ``broken`` one for each rule that plates.json says
is not met; ``reason`` one for each doubt of survey.json, with an empty mark where it is of the whole run; ``thumbnail``
a small picture of each photo, without EXIF. Lengths are mm, angles degrees, days as ISO 8601 writes them.
``folded`` columns are the text as Unicode folds its case, to search in.
"""

from __future__ import annotations

_FIRST = """
CREATE TABLE package (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    digest TEXT NOT NULL,          -- SHA-256 of tagmanifest-sha256.txt
    job TEXT NOT NULL,
    job_folded TEXT NOT NULL,
    lot TEXT NOT NULL,
    lot_folded TEXT NOT NULL,
    day TEXT NOT NULL,
    sealed_at TEXT NOT NULL,
    signed_off_by TEXT,
    status TEXT NOT NULL,          -- the worst of its runs and corners
    photos INTEGER NOT NULL,
    bolts INTEGER NOT NULL,
    ok INTEGER NOT NULL,           -- how many of its bolts
    "check" INTEGER NOT NULL,
    reshoot INTEGER NOT NULL,
    setback_most_mm REAL,          -- of all its bolts
    lean_most_deg REAL,
    broken INTEGER NOT NULL,       -- rules not met
    planned INTEGER NOT NULL       -- 1 where plates were planned
);
-- In the order of answers, with all that packages are passed over by, so that their own rows are read for few.
CREATE INDEX package_by_day ON package (
    day DESC, id DESC, job_folded, lot_folded, ok, "check", reshoot, setback_most_mm, lean_most_deg, broken
);
CREATE TABLE bolt (
    package INTEGER NOT NULL REFERENCES package (id) ON DELETE CASCADE,
    place INTEGER NOT NULL,        -- in the order of the record
    run TEXT NOT NULL,
    run_folded TEXT NOT NULL,
    mark TEXT NOT NULL,
    station_mm REAL,
    setback_mm REAL,
    setback_u95_mm REAL,
    lean_deg REAL,
    lean_u95_deg REAL,
    stickup_mm REAL,
    diameter_mm REAL NOT NULL,
    status TEXT NOT NULL,
    PRIMARY KEY (package, place)
) WITHOUT ROWID;
CREATE INDEX bolt_by_setback ON bolt (package, setback_mm, lean_deg, status);
CREATE INDEX bolt_by_lean ON bolt (package, lean_deg, status);
CREATE TABLE broken (
    package INTEGER NOT NULL REFERENCES package (id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    run TEXT NOT NULL,
    run_folded TEXT NOT NULL,
    subject TEXT NOT NULL,         -- a bolt's mark, a piece's or the run's name
    bolt INTEGER,                  -- that bolt's place, where it is of one
    rule TEXT NOT NULL,            -- as in plates.json
    source TEXT NOT NULL,          -- the standard, its edition and section
    measured_mm REAL,
    limit_mm REAL,
    PRIMARY KEY (package, place)
) WITHOUT ROWID;
CREATE INDEX broken_by_rule ON broken (rule, package);
CREATE TABLE reason (
    package INTEGER NOT NULL REFERENCES package (id) ON DELETE CASCADE,
    run TEXT NOT NULL,
    mark TEXT NOT NULL,
    code TEXT NOT NULL,
    PRIMARY KEY (package, run, mark, code)
) WITHOUT ROWID;
"""
_SECOND = """
CREATE TABLE thumbnail (
    package INTEGER NOT NULL REFERENCES package (id) ON DELETE CASCADE,
    file TEXT NOT NULL,            -- as survey.json names the photo
    jpeg BLOB NOT NULL,
    PRIMARY KEY (package, file)
);
"""
_THIRD = """
CREATE TABLE run (
    package INTEGER NOT NULL REFERENCES package (id) ON DELETE CASCADE,
    run_folded TEXT NOT NULL,
    ok INTEGER NOT NULL,           -- how many of the run's bolts
    "check" INTEGER NOT NULL,
    reshoot INTEGER NOT NULL,
    setback_most_mm REAL,          -- of the run's bolts
    lean_most_deg REAL,
    PRIMARY KEY (package, run_folded)
) WITHOUT ROWID;
INSERT INTO run SELECT
    package, run_folded, sum(status = 'ok'), sum(status = 'check'), sum(status = 'reshoot'), max(setback_mm),
    max(lean_deg)
FROM bolt GROUP BY package, run_folded;
"""
# Each takes a catalogue from its place's version to the next. None is ever changed: another is put behind it.
MIGRATIONS = (_FIRST, _SECOND, _THIRD)
VERSION = len(MIGRATIONS)
READ_AGAIN_BELOW = 2  # rows that an older version wrote lack something: thumbnails
