-- A person who was forgotten leaves an entry in the ledger, without the name. The sums of earlier entries are then
-- computed anew: an old sum beside the new one would let a short code be found by trying.
CREATE TABLE ledger_next (
    entry_id INTEGER NOT NULL,
    moment TIMESTAMPTZ NOT NULL,
    kind VARCHAR NOT NULL CHECK (kind IN ('register', 'intake', 'decision', 'forgetting')),
    standing BIGINT NOT NULL CHECK (standing >= 0),
    content_sum VARCHAR NOT NULL,
    checksum VARCHAR NOT NULL
);

INSERT INTO ledger_next SELECT * FROM ledger ORDER BY entry_id;

DROP TABLE ledger;

ALTER TABLE ledger_next RENAME TO ledger;

-- What was forgotten: a contact (stands_for: its site), an assessor (stands_for: the neutral code in place of the
-- person's), a text (stands_for is empty), or nothing but kept bytes (kind files).
CREATE TABLE forgotten (
    entry_id INTEGER NOT NULL,
    kind VARCHAR NOT NULL CHECK (kind IN ('contact', 'assessor', 'text', 'files')),
    stands_for VARCHAR NOT NULL,
    places BIGINT NOT NULL
);

-- Files whose kept bytes still held what was forgotten.
CREATE TABLE forgotten_in (entry_id INTEGER NOT NULL, sha256 VARCHAR NOT NULL);

-- Files whose kept bytes were given up, so that nobody is found in them.
CREATE TABLE given_up (entry_id INTEGER NOT NULL, sha256 VARCHAR NOT NULL);
