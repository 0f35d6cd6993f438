-- What each recipient was last told of each yard, so that a notice can say what is new. Only ever
-- added to: the history of what was said is read from here.

CREATE TABLE said (
    id         BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    yard       TEXT COLLATE "C" NOT NULL,
    recipient  TEXT COLLATE "C" NOT NULL,
    told_at    TEXT COLLATE "C" NOT NULL,
    change     TEXT COLLATE "C" NOT NULL,
    -- JSON: the start that was named, its chance, and whether what is in was in danger
    document   TEXT COLLATE "C" NOT NULL,
    -- of the notice that told it; NULL: printed, or nothing new for somebody who wants only news
    notice_id  BIGINT REFERENCES notice (id) ON DELETE SET NULL
);

CREATE INDEX said_last ON said (yard, recipient, id);
CREATE INDEX said_by_notice ON said (notice_id);

-- The first instant at which a notice may be sent: quiet hours. The wait between attempts cannot hold
-- it, since one that reaches far ahead means a clock that was wrong.
ALTER TABLE notice ADD COLUMN not_before TEXT COLLATE "C";

-- What was said holds whether danger was told.
DROP TABLE watch_told;
