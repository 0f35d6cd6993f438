-- What the crews were promised: one row a plan that was kept as promised. Only ever added to; the
-- last one stands.
CREATE TABLE crew_promise (
    id           BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    promised_at  TEXT COLLATE "C" NOT NULL,
    -- JSON: `windowcast.planning` says what is in it
    document     TEXT COLLATE "C" NOT NULL
);
