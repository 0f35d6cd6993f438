-- Forms that were sent, each under the key that it was shown with: the same one sent again is
-- answered with what the first sending entered, whichever service gets it.
CREATE TABLE form (
    key      TEXT COLLATE "C" PRIMARY KEY,
    kind     TEXT COLLATE "C" NOT NULL,
    yard     TEXT COLLATE "C" NOT NULL,
    -- of all that was typed, so that a form that was used once and changed is not taken for the same
    digest   TEXT COLLATE "C" NOT NULL,
    entry    BIGINT NOT NULL REFERENCES journal (id),
    -- 0: that entry was there before
    added    INTEGER NOT NULL,
    remarks  TEXT COLLATE "C" NOT NULL,
    sent_at  TEXT COLLATE "C" NOT NULL
);
