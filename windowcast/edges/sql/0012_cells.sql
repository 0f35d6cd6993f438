-- Yards that lie in one grid cell of a model share its answers, and a run that is had already is not
-- fetched again: a series is kept once, and whatever else it stands for says only where it is.

-- From which grid cell the service answered when it was asked about one place, and for what height.
CREATE TABLE cell (
    -- JSON, what was asked for
    place      TEXT NOT NULL,
    source     TEXT NOT NULL,
    latitude   REAL NOT NULL,
    longitude  REAL NOT NULL,
    height_m   REAL NOT NULL,
    seen_at    TEXT NOT NULL,
    PRIMARY KEY (place, source)
) STRICT, WITHOUT ROWID;

-- A yard's series of an instant that is another kept one, moved by whole tenths of a degree.
CREATE TABLE shared_series (
    yard           TEXT NOT NULL,
    source         TEXT NOT NULL,
    fetched_at     TEXT NOT NULL,
    of_yard        TEXT NOT NULL,
    of_fetched_at  TEXT NOT NULL,
    shift          INTEGER NOT NULL,
    detail         TEXT NOT NULL,
    PRIMARY KEY (yard, source, fetched_at),
    FOREIGN KEY (of_yard, source, of_fetched_at) REFERENCES forecast (yard, source, fetched_at)
) STRICT, WITHOUT ROWID;

CREATE INDEX shared_series_of ON shared_series (of_yard, source, of_fetched_at);
CREATE INDEX shared_series_by_age ON shared_series (fetched_at);

-- How a server marked its last answer to a request, so that it can be asked whether there is another.
CREATE TABLE answer_mark (
    request     TEXT PRIMARY KEY,
    since       TEXT NOT NULL,
    tag         TEXT NOT NULL,
    fetched_at  TEXT NOT NULL
) STRICT, WITHOUT ROWID;
