-- What the calendar has said of each visit, so that a changed one goes out under a higher number and
-- one that is no longer planned is called off.

CREATE TABLE calendar_event (
    uid         TEXT COLLATE "C" PRIMARY KEY,
    yard        TEXT COLLATE "C" NOT NULL,
    day         TEXT COLLATE "C" NOT NULL,
    sequence    INTEGER NOT NULL CHECK (sequence >= 0),
    cancelled   INTEGER NOT NULL CHECK (cancelled IN (0, 1)),
    created_at  TEXT COLLATE "C" NOT NULL,
    changed_at  TEXT COLLATE "C" NOT NULL,
    -- JSON: what people read of it
    said        TEXT COLLATE "C" NOT NULL
);

CREATE INDEX calendar_event_of_yard ON calendar_event (yard);

-- Random, one for each database: what makes its events differ from everybody else's in the world.
CREATE TABLE calendar_origin (
    only_one  INTEGER PRIMARY KEY CHECK (only_one = 1),
    octets    BYTEA NOT NULL CHECK (length(octets) = 16)
);

INSERT INTO calendar_origin (only_one, octets) VALUES (1, uuid_send(gen_random_uuid()));
