-- What was forecast on past days, and what came, so that a yard without a record of its own can
-- begin with the service's. One row a day of issue: what is there is not asked for again.

CREATE TABLE past_run (
    place       TEXT NOT NULL,
    issued      TEXT NOT NULL,
    origin      TEXT NOT NULL CHECK (origin IN ('previous', 'single', 'analysis')),
    first_day   TEXT NOT NULL,
    days        INTEGER NOT NULL CHECK (days >= 1),
    -- int16, little-endian, tenths of a degree Celsius, one a day; -32768 is missing
    tenths      BLOB NOT NULL,
    fetched_at  TEXT NOT NULL,
    PRIMARY KEY (place, issued, origin),
    CHECK (length(tenths) = 2 * days)
) STRICT, WITHOUT ROWID;
