-- When the service ran, so that a morning without it can be told. A run that has no end and whose
-- process is gone ended some time after its last tick.
CREATE TABLE service_run (
    id          BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    process     INTEGER NOT NULL,
    started_at  TEXT COLLATE "C" NOT NULL,
    ticked_at   TEXT COLLATE "C" NOT NULL,
    stopped_at  TEXT COLLATE "C"
);

-- Since when each yard's mornings are to come: none before is missed.
CREATE TABLE yard_since (
    yard   TEXT COLLATE "C" PRIMARY KEY,
    since  TEXT COLLATE "C" NOT NULL
);

INSERT INTO yard_since (yard, since) SELECT yard, min(done_at) FROM morning GROUP BY yard;

-- Who has been told that a morning did not come.
CREATE TABLE missed_told (
    yard        TEXT COLLATE "C" NOT NULL,
    local_date  TEXT COLLATE "C" NOT NULL,
    recipient   TEXT COLLATE "C" NOT NULL,
    told_at     TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (yard, local_date, recipient)
);
