-- Instants are UTC text of one fixed width (2026-08-31T10:12:00.000000Z), so that the order of the
-- text is the order of time. Days are ISO dates in the yard's own calendar.

CREATE TABLE forecast (
    yard        TEXT COLLATE "C" NOT NULL,
    source      TEXT COLLATE "C" NOT NULL CHECK (source IN ('forecast', 'ensemble', 'extended', 'scenarios')),
    fetched_at  TEXT COLLATE "C" NOT NULL,
    run_at      TEXT COLLATE "C",
    first_day   TEXT COLLATE "C" NOT NULL,
    days        INTEGER NOT NULL CHECK (days >= 0),
    scenarios   INTEGER NOT NULL CHECK (scenarios >= 1),
    -- int16, little-endian, tenths of a degree Celsius, day by day; -32768 is missing
    tenths      BYTEA NOT NULL,
    dropped     INTEGER NOT NULL CHECK (dropped >= 0),
    detail      TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (yard, source, fetched_at),
    CHECK (length(tenths) = 2 * days * scenarios)
);

CREATE INDEX forecast_by_age ON forecast (fetched_at);

CREATE TABLE decision (
    id          BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    yard        TEXT COLLATE "C" NOT NULL,
    local_date  TEXT COLLATE "C" NOT NULL,
    made_at     TEXT COLLATE "C" NOT NULL,
    kind        TEXT COLLATE "C" NOT NULL,
    document    TEXT COLLATE "C" NOT NULL
);

CREATE INDEX decision_newest ON decision (yard, kind, local_date, made_at);

CREATE TABLE notice (
    id               BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    recipient        TEXT COLLATE "C" NOT NULL,
    message_id       TEXT COLLATE "C" NOT NULL UNIQUE,
    subject          TEXT COLLATE "C" NOT NULL,
    created_at       TEXT COLLATE "C" NOT NULL,
    kind             TEXT COLLATE "C" NOT NULL,
    local_date       TEXT COLLATE "C" NOT NULL,
    -- the message as composed: every attempt sends these bytes
    body             BYTEA NOT NULL,
    state            TEXT COLLATE "C" NOT NULL DEFAULT 'waiting'
                     CHECK (state IN ('waiting', 'sent', 'refused', 'superseded')),
    attempts         INTEGER NOT NULL DEFAULT 0,
    next_attempt_at  TEXT COLLATE "C" NOT NULL,
    -- attempts that ended without an answer: the recipient may have the notice
    unanswered       INTEGER NOT NULL DEFAULT 0,
    last_error       TEXT COLLATE "C" NOT NULL DEFAULT '',
    sent_at          TEXT COLLATE "C",
    sent_code        INTEGER,
    claim_token      TEXT COLLATE "C",
    leased_until     TEXT COLLATE "C"
);

CREATE INDEX notice_waiting ON notice (next_attempt_at) WHERE state = 'waiting';

-- Who has been told about which yard's morning. The key is what keeps a morning from being told
-- twice, whichever process, clock or restart asks.
CREATE TABLE morning (
    yard        TEXT COLLATE "C" NOT NULL,
    local_date  TEXT COLLATE "C" NOT NULL,
    recipient   TEXT COLLATE "C" NOT NULL,
    state       TEXT COLLATE "C" NOT NULL CHECK (state IN ('told', 'told-unknown')),
    notice_id   BIGINT REFERENCES notice (id) ON DELETE SET NULL,
    done_at     TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (yard, local_date, recipient)
);

CREATE INDEX morning_by_notice ON morning (notice_id);

CREATE TABLE spent (
    day     TEXT COLLATE "C" PRIMARY KEY,
    weight  DOUBLE PRECISION NOT NULL CHECK (weight >= 0)
);
