-- What the crews were promised: one row a plan that was kept as promised. Only ever added to; the
-- last one stands.
CREATE TABLE crew_promise (
    id           INTEGER PRIMARY KEY,
    promised_at  TEXT NOT NULL,
    -- JSON: `windowcast.planning` says what is in it
    document     TEXT NOT NULL
) STRICT;
