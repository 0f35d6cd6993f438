-- Daily highs that came to pass. A yard's own thermometer stands beside what the weather service
-- says of the same day and does not replace it: which of them counts is decided on reading.

CREATE TABLE observed (
    yard      TEXT COLLATE "C" NOT NULL,
    -- JSON, what the service was asked for; '' for the yard's own thermometer
    place     TEXT COLLATE "C" NOT NULL,
    day       TEXT COLLATE "C" NOT NULL,
    origin    TEXT COLLATE "C" NOT NULL CHECK (origin IN ('service', 'own')),
    -- tenths of a degree Celsius; a day that is not known has no row
    tenths    INTEGER NOT NULL CHECK (tenths BETWEEN -900 AND 600),
    noted_at  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (yard, day, origin)
);
