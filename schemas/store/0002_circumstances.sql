-- How each taking-in was done, so that it can be done again from the kept bytes: the day on which the sheets came,
-- whether other values replaced those that stood, the settings of rules that differed, and the program's version.
-- Entries made before this table was there have no row.
CREATE TABLE circumstances (
    entry_id INTEGER NOT NULL,
    received DATE NOT NULL,
    correction BOOLEAN NOT NULL,
    settings VARCHAR,
    program VARCHAR NOT NULL
);
