-- Instants are UTC text of one fixed width (2026-08-31T10:12:00.000000Z), so that the order of the
-- text is the order of time. Days are ISO dates in the yard's own calendar.

CREATE TABLE forecast (
    yard        TEXT NOT NULL,
    source      TEXT NOT NULL CHECK (source IN ('forecast', 'ensemble', 'extended', 'scenarios')),
    fetched_at  TEXT NOT NULL,
    run_at      TEXT,
    first_day   TEXT NOT NULL,
    days        INTEGER NOT NULL CHECK (days >= 0),
    scenarios   INTEGER NOT NULL CHECK (scenarios >= 1),
    -- int16, little-endian, tenths of a degree Celsius, day by day; -32768 is missing
    tenths      BLOB NOT NULL,
    dropped     INTEGER NOT NULL CHECK (dropped >= 0),
    detail      TEXT NOT NULL,
    PRIMARY KEY (yard, source, fetched_at),
    CHECK (length(tenths) = 2 * days * scenarios)
) STRICT;

CREATE INDEX forecast_by_age ON forecast (fetched_at);

CREATE TABLE decision (
    id          INTEGER PRIMARY KEY,
    yard        TEXT NOT NULL,
    local_date  TEXT NOT NULL,
    made_at     TEXT NOT NULL,
    kind        TEXT NOT NULL,
    document    TEXT NOT NULL
) STRICT;

CREATE INDEX decision_newest ON decision (yard, kind, local_date, made_at);

CREATE TABLE notice (
    id               INTEGER PRIMARY KEY,
    recipient        TEXT NOT NULL,
    message_id       TEXT NOT NULL UNIQUE,
    subject          TEXT NOT NULL,
    created_at       TEXT NOT NULL,
    kind             TEXT NOT NULL,
    local_date       TEXT NOT NULL,
    -- the message as composed: every attempt sends these bytes
    body             BLOB NOT NULL,
    state            TEXT NOT NULL DEFAULT 'waiting'
                     CHECK (state IN ('waiting', 'sent', 'refused', 'superseded')),
    attempts         INTEGER NOT NULL DEFAULT 0,
    next_attempt_at  TEXT NOT NULL,
    -- attempts that ended without an answer: the recipient may have the notice
    unanswered       INTEGER NOT NULL DEFAULT 0,
    last_error       TEXT NOT NULL DEFAULT '',
    sent_at          TEXT,
    sent_code        INTEGER,
    claim_token      TEXT,
    leased_until     TEXT
) STRICT;

CREATE INDEX notice_waiting ON notice (next_attempt_at) WHERE state = 'waiting';

-- Who has been told about which yard's morning. The key is what keeps a morning from being told
-- twice, whichever process, clock or restart asks.
CREATE TABLE morning (
    yard        TEXT NOT NULL,
    local_date  TEXT NOT NULL,
    recipient   TEXT NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('told', 'told-unknown')),
    notice_id   INTEGER REFERENCES notice (id) ON DELETE SET NULL,
    done_at     TEXT NOT NULL,
    PRIMARY KEY (yard, local_date, recipient)
) STRICT, WITHOUT ROWID;

CREATE INDEX morning_by_notice ON morning (notice_id);

CREATE TABLE spent (
    day     TEXT PRIMARY KEY,
    weight  REAL NOT NULL CHECK (weight >= 0)
) STRICT, WITHOUT ROWID;
