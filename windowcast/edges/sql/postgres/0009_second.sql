-- What a second weather service says of the first days, to be held against the first, and when it may
-- be asked again. The newest of each is what counts; older ones tell how far the two usually differ.

CREATE TABLE second_look (
    yard           TEXT COLLATE "C" NOT NULL,
    source         TEXT COLLATE "C" NOT NULL CHECK (source IN ('met-norway', 'nws')),
    fetched_at     TEXT COLLATE "C" NOT NULL,
    -- JSON, where the yard was
    place          TEXT COLLATE "C" NOT NULL,
    first_day      TEXT COLLATE "C" NOT NULL,
    -- int16, little-endian, tenths of a degree Celsius, one a day; -32768 is missing
    tenths         BYTEA NOT NULL,
    expires_at     TEXT COLLATE "C" NOT NULL,
    last_modified  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (yard, source, fetched_at)
);
