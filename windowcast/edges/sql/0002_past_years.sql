-- Observed highs of past years. The place is a grid cell and not a yard, so that neighbours share
-- one fetch, which weighs as much as a morning of ten yards.

CREATE TABLE past_years (
    place       TEXT PRIMARY KEY,
    fetched_at  TEXT NOT NULL,
    first_day   TEXT NOT NULL,
    days        INTEGER NOT NULL CHECK (days >= 1),
    -- int16, little-endian, tenths of a degree Celsius, one a day; -32768 is missing
    tenths      BLOB NOT NULL,
    CHECK (length(tenths) = 2 * days)
) STRICT;
