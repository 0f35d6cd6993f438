-- What people saw and did at the yards. Nothing here is ever changed or removed: a correction is a
-- new row that names the one it takes the place of.

CREATE TABLE journal (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    yard      TEXT NOT NULL,
    kind      TEXT NOT NULL,
    -- in the yard's own calendar
    day       TEXT NOT NULL,
    noted_at  TEXT NOT NULL,
    body      TEXT NOT NULL,
    corrects  INTEGER REFERENCES journal (id),
    -- the same key twice is the same entry, sent twice
    key       TEXT UNIQUE
) STRICT;

CREATE INDEX journal_of_yard ON journal (yard, day, id);
CREATE UNIQUE INDEX journal_corrected_once ON journal (corrects) WHERE corrects IS NOT NULL;

CREATE TRIGGER journal_is_not_changed BEFORE UPDATE ON journal
BEGIN
    SELECT RAISE(ABORT, 'the journal is append-only');
END;

CREATE TRIGGER journal_is_not_removed BEFORE DELETE ON journal
BEGIN
    SELECT RAISE(ABORT, 'the journal is append-only');
END;
