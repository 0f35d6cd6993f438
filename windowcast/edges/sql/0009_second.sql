-- What a second weather service says of the first days, to be held against the first, and when it may
-- be asked again. The newest of each is what counts; older ones tell how far the two usually differ.

CREATE TABLE second_look (
    yard           TEXT NOT NULL,
    source         TEXT NOT NULL CHECK (source IN ('met-norway', 'nws')),
    fetched_at     TEXT NOT NULL,
    -- JSON, where the yard was
    place          TEXT NOT NULL,
    first_day      TEXT NOT NULL,
    -- int16, little-endian, tenths of a degree Celsius, one a day; -32768 is missing
    tenths         BLOB NOT NULL,
    expires_at     TEXT NOT NULL,
    last_modified  TEXT NOT NULL,
    PRIMARY KEY (yard, source, fetched_at)
) STRICT;
