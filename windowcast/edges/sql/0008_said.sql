-- What each recipient was last told of each yard, so that a notice can say what is new. Only ever
-- added to: the history of what was said is read from here.

CREATE TABLE said (
    id         INTEGER PRIMARY KEY,
    yard       TEXT NOT NULL,
    recipient  TEXT NOT NULL,
    told_at    TEXT NOT NULL,
    change     TEXT NOT NULL,
    -- JSON: the start that was named, its chance, and whether what is in was in danger
    document   TEXT NOT NULL,
    -- of the notice that told it; NULL: printed, or nothing new for somebody who wants only news
    notice_id  INTEGER REFERENCES notice (id) ON DELETE SET NULL
) STRICT;

CREATE INDEX said_last ON said (yard, recipient, id);
CREATE INDEX said_by_notice ON said (notice_id);

-- The first instant at which a notice may be sent: quiet hours. The wait between attempts cannot hold
-- it, since one that reaches far ahead means a clock that was wrong.
ALTER TABLE notice ADD COLUMN not_before TEXT;

-- What was said holds whether danger was told.
DROP TABLE watch_told;
