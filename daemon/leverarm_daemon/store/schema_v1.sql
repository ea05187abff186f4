-- The store, version 1. Rows are added, never changed: `progress` is the one exception.

-- A run: what came from one start of the guard, while one recorder listened.
-- `continues` names the run of the same guard start before it, whose device time and raw data go on in this one.
CREATE TABLE opening (
    run_id    INTEGER PRIMARY KEY,
    utc       TEXT NOT NULL,
    boot      TEXT NOT NULL,
    version   TEXT NOT NULL,
    firmware  TEXT NOT NULL,
    simulated INTEGER NOT NULL,
    continues INTEGER REFERENCES opening (run_id),
    stand     TEXT NOT NULL,     -- JSON: the stand file with its calibration and weather, without passwords
    build     TEXT               -- JSON: the build on the brake at the opening, if one was selected
);

CREATE TABLE channel (
    run_id INTEGER NOT NULL REFERENCES opening (run_id),
    name   TEXT NOT NULL,
    unit   TEXT NOT NULL,
    source TEXT NOT NULL,
    step   REAL NOT NULL,        -- what one whole number in the chunk stands for
    high   REAL,                 -- the limit that acts on it, if any
    PRIMARY KEY (run_id, name)
);

-- All raw channels of one second, from the guard's items first_n to last_n. See chunks.py for the blob.
CREATE TABLE chunk (
    id      INTEGER PRIMARY KEY,
    run_id  INTEGER NOT NULL REFERENCES opening (run_id),
    first_n INTEGER NOT NULL,
    last_n  INTEGER NOT NULL,
    from_us INTEGER NOT NULL,
    to_us   INTEGER NOT NULL,
    blob    BLOB NOT NULL,
    UNIQUE (run_id, first_n)
);
CREATE INDEX chunk_time ON chunk (run_id, to_us);

CREATE TABLE pull (
    id         INTEGER PRIMARY KEY,
    run_id     INTEGER NOT NULL REFERENCES opening (run_id),
    build      TEXT NOT NULL,
    started_us INTEGER NOT NULL,
    ended_us   INTEGER NOT NULL,
    kept       INTEGER NOT NULL, -- as found; a person's changes are in pull_change
    body       TEXT NOT NULL,    -- JSON: the record without its curve
    curve      BLOB NOT NULL     -- JSON, deflated
);
CREATE INDEX pull_build ON pull (build);

CREATE TABLE pull_change (
    id      INTEGER PRIMARY KEY,
    pull_id INTEGER NOT NULL REFERENCES pull (id),
    utc     TEXT NOT NULL,
    who     TEXT NOT NULL,
    kept    INTEGER NOT NULL,
    why     TEXT NOT NULL
);
CREATE INDEX pull_change_pull ON pull_change (pull_id);

CREATE VIEW pull_now AS
    SELECT pull.id, run_id, build, body, curve,
           coalesce((SELECT pull_change.kept FROM pull_change WHERE pull_id = pull.id
                     ORDER BY pull_change.id DESC LIMIT 1), pull.kept) AS kept
    FROM pull;

CREATE TABLE trip (
    id        INTEGER PRIMARY KEY,
    run_id    INTEGER NOT NULL REFERENCES opening (run_id),
    device_us INTEGER NOT NULL,
    body      TEXT NOT NULL      -- JSON: the record
);

CREATE TABLE event (
    id     INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES opening (run_id),
    n      INTEGER NOT NULL,     -- the guard's item that told it
    utc    TEXT NOT NULL,
    kind   TEXT NOT NULL,
    body   TEXT NOT NULL         -- JSON
);

CREATE TABLE closing (
    run_id INTEGER PRIMARY KEY REFERENCES opening (run_id),
    utc    TEXT NOT NULL,
    status TEXT NOT NULL,        -- "ok" or "failed"
    reason TEXT NOT NULL,
    chunks INTEGER NOT NULL,
    pulls  INTEGER NOT NULL,
    trips  INTEGER NOT NULL
);

-- How far the guard's items are stored, changed in the transaction that stores them.
CREATE TABLE progress (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    body TEXT NOT NULL           -- JSON
);
