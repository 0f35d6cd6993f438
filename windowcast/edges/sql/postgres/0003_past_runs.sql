-- What was forecast on past days, and what came, so that a yard without a record of its own can
-- begin with the service's. One row a day of issue: what is there is not asked for again.

CREATE TABLE past_run (
    place       TEXT COLLATE "C" NOT NULL,
    issued      TEXT COLLATE "C" NOT NULL,
    origin      TEXT COLLATE "C" NOT NULL CHECK (origin IN ('previous', 'single', 'analysis')),
    first_day   TEXT COLLATE "C" NOT NULL,
    days        INTEGER NOT NULL CHECK (days >= 1),
    -- int16, little-endian, tenths of a degree Celsius, one a day; -32768 is missing
    tenths      BYTEA NOT NULL,
    fetched_at  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (place, issued, origin),
    CHECK (length(tenths) = 2 * days)
);
