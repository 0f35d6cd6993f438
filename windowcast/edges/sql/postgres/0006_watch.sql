-- Who was told that a treatment which is in is in danger, or that the danger has passed. The key is
-- what keeps it from being told twice, whichever process looks.

CREATE TABLE watch_told (
    yard       TEXT COLLATE "C" NOT NULL,
    -- number of the start in the journal
    treatment  INTEGER NOT NULL,
    recipient  TEXT COLLATE "C" NOT NULL,
    state      TEXT COLLATE "C" NOT NULL CHECK (state IN ('urgent', 'over')),
    told_at    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (treatment, recipient)
);
