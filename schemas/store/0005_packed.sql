-- How long a file is whose pieces, put together, are its bytes in Zstandard (RFC 8878); null where they are its bytes
-- themselves. What a taking-in writes ahead of its end is a tenth of what it was then.
ALTER TABLE contents ADD COLUMN length BIGINT;
