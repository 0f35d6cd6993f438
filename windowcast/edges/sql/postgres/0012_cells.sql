-- Yards that lie in one grid cell of a model share its answers, and a run that is had already is not
-- fetched again: a series is kept once, and whatever else it stands for says only where it is.

-- From which grid cell the service answered when it was asked about one place, and for what height.
CREATE TABLE cell (
    -- JSON, what was asked for
    place      TEXT COLLATE "C" NOT NULL,
    source     TEXT COLLATE "C" NOT NULL,
    latitude   DOUBLE PRECISION NOT NULL,
    longitude  DOUBLE PRECISION NOT NULL,
    height_m   DOUBLE PRECISION NOT NULL,
    seen_at    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (place, source)
);

-- A yard's series of an instant that is another kept one, moved by whole tenths of a degree.
CREATE TABLE shared_series (
    yard           TEXT COLLATE "C" NOT NULL,
    source         TEXT COLLATE "C" NOT NULL,
    fetched_at     TEXT COLLATE "C" NOT NULL,
    of_yard        TEXT COLLATE "C" NOT NULL,
    of_fetched_at  TEXT COLLATE "C" NOT NULL,
    shift          INTEGER NOT NULL,
    detail         TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (yard, source, fetched_at),
    FOREIGN KEY (of_yard, source, of_fetched_at) REFERENCES forecast (yard, source, fetched_at)
);

CREATE INDEX shared_series_of ON shared_series (of_yard, source, of_fetched_at);
CREATE INDEX shared_series_by_age ON shared_series (fetched_at);

-- How a server marked its last answer to a request, so that it can be asked whether there is another.
CREATE TABLE answer_mark (
    request     TEXT COLLATE "C" PRIMARY KEY,
    since       TEXT COLLATE "C" NOT NULL,
    tag         TEXT COLLATE "C" NOT NULL,
    fetched_at  TEXT COLLATE "C" NOT NULL
);
