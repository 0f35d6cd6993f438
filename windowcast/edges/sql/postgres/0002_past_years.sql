-- Observed highs of past years. The place is a grid cell and not a yard, so that neighbours share
-- one fetch, which weighs as much as a morning of ten yards.

CREATE TABLE past_years (
    place       TEXT COLLATE "C" PRIMARY KEY,
    fetched_at  TEXT COLLATE "C" NOT NULL,
    first_day   TEXT COLLATE "C" NOT NULL,
    days        INTEGER NOT NULL CHECK (days >= 1),
    -- int16, little-endian, tenths of a degree Celsius, one a day; -32768 is missing
    tenths      BYTEA NOT NULL,
    CHECK (length(tenths) = 2 * days)
);
