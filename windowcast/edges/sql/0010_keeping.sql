-- When the service ran, so that a morning without it can be told. A run that has no end and whose
-- process is gone ended some time after its last tick.
CREATE TABLE service_run (
    id          INTEGER PRIMARY KEY,
    process     INTEGER NOT NULL,
    started_at  TEXT NOT NULL,
    ticked_at   TEXT NOT NULL,
    stopped_at  TEXT
) STRICT;

-- Since when each yard's mornings are to come: none before is missed.
CREATE TABLE yard_since (
    yard   TEXT PRIMARY KEY,
    since  TEXT NOT NULL
) STRICT, WITHOUT ROWID;

INSERT INTO yard_since (yard, since) SELECT yard, min(done_at) FROM morning GROUP BY yard;

-- Who has been told that a morning did not come.
CREATE TABLE missed_told (
    yard        TEXT NOT NULL,
    local_date  TEXT NOT NULL,
    recipient   TEXT NOT NULL,
    told_at     TEXT NOT NULL,
    PRIMARY KEY (yard, local_date, recipient)
) STRICT, WITHOUT ROWID;
