-- Forms that were sent, each under the key that it was shown with: the same one sent again is
-- answered with what the first sending entered, whichever service gets it.
CREATE TABLE form (
    key      TEXT PRIMARY KEY,
    kind     TEXT NOT NULL,
    yard     TEXT NOT NULL,
    -- of all that was typed, so that a form that was used once and changed is not taken for the same
    digest   TEXT NOT NULL,
    entry    INTEGER NOT NULL REFERENCES journal (id),
    -- 0: that entry was there before
    added    INTEGER NOT NULL,
    remarks  TEXT NOT NULL,
    sent_at  TEXT NOT NULL
) STRICT, WITHOUT ROWID;
