-- What people saw and did at the yards. Nothing here is ever changed or removed: a correction is a
-- new row that names the one it takes the place of.

CREATE TABLE journal (
    id        BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    yard      TEXT COLLATE "C" NOT NULL,
    kind      TEXT COLLATE "C" NOT NULL,
    -- in the yard's own calendar
    day       TEXT COLLATE "C" NOT NULL,
    noted_at  TEXT COLLATE "C" NOT NULL,
    body      TEXT COLLATE "C" NOT NULL,
    corrects  BIGINT REFERENCES journal (id),
    -- the same key twice is the same entry, sent twice
    key       TEXT COLLATE "C" UNIQUE
);

CREATE INDEX journal_of_yard ON journal (yard, day, id);
CREATE UNIQUE INDEX journal_corrected_once ON journal (corrects) WHERE corrects IS NOT NULL;

CREATE FUNCTION journal_refuses() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the journal is append-only';
END;
$$;

CREATE TRIGGER journal_is_not_changed BEFORE UPDATE OR DELETE ON journal
    FOR EACH ROW EXECUTE FUNCTION journal_refuses();

CREATE TRIGGER journal_is_not_emptied BEFORE TRUNCATE ON journal
    FOR EACH STATEMENT EXECUTE FUNCTION journal_refuses();
