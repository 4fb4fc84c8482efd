-- The bytes of each file, once for each SHA-256, in pieces of one length, the last one shorter. The database writes
-- anew what stands beside a new row, whole files then, and reads two thousand rows at a time: of large files that was
-- more than memory. The pieces of the files that are here already are cut by the program, which then lets this table
-- take the place of `contents`.
CREATE TABLE contents_next (
    sha256 VARCHAR NOT NULL,
    entry_id INTEGER NOT NULL,
    piece INTEGER NOT NULL CHECK (piece >= 0),
    content BLOB NOT NULL
);
