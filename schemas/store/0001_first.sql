-- Everything here is append-only: a row is written once and never changed. What stands now is what was
-- entered less what a later row of `supersessions` withdrew.

CREATE TABLE store_info (application VARCHAR NOT NULL, created TIMESTAMPTZ NOT NULL);

CREATE TABLE migrations (number INTEGER NOT NULL, name VARCHAR NOT NULL, applied TIMESTAMPTZ NOT NULL);

-- One row for each register, taking-in or decision, in order. `content_sum` is the sum, modulo 2^256, of the
-- SHA-256 of every standing item; `checksum` is the SHA-256 of that sum and the number of items.
CREATE TABLE ledger (
    entry_id INTEGER NOT NULL,
    moment TIMESTAMPTZ NOT NULL,
    kind VARCHAR NOT NULL CHECK (kind IN ('register', 'intake', 'decision')),
    standing BIGINT NOT NULL CHECK (standing >= 0),
    content_sum VARCHAR NOT NULL,
    checksum VARCHAR NOT NULL
);

-- The bytes of each file, once for each SHA-256.
CREATE TABLE contents (sha256 VARCHAR NOT NULL, entry_id INTEGER NOT NULL, content BLOB NOT NULL);

CREATE TABLE files (
    file_id INTEGER NOT NULL,
    entry_id INTEGER NOT NULL,
    file_no INTEGER NOT NULL,
    file VARCHAR NOT NULL,
    sha256 VARCHAR,
    kind VARCHAR,
    readings_in BIGINT NOT NULL,
    accepted BIGINT NOT NULL,
    refused BIGINT NOT NULL,
    held BIGINT NOT NULL,
    already BIGINT NOT NULL,
    blank BIGINT NOT NULL,
    status VARCHAR NOT NULL,
    message VARCHAR,
    CHECK (readings_in = accepted + refused + held + already + blank)
);

CREATE TABLE readings (
    reading_id BIGINT NOT NULL,
    entry_id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    item_id BIGINT,
    sheet VARCHAR,
    "row" INTEGER,
    "column" INTEGER,
    cell VARCHAR,
    trial_id VARCHAR NOT NULL,
    arm_id VARCHAR,
    vessel_id VARCHAR,
    stage VARCHAR,
    sample_date DATE,
    "time" VARCHAR,
    analyte VARCHAR NOT NULL,
    replicate INTEGER,
    value DOUBLE NOT NULL CHECK (isfinite(value)),
    qualifier VARCHAR NOT NULL CHECK (qualifier IN ('', '<', '>')),
    unit VARCHAR,
    lab VARCHAR,
    method VARCHAR,
    note VARCHAR,
    text_sent VARCHAR,
    unit_sent VARCHAR,
    conversion VARCHAR
);

CREATE TABLE picks (
    pick_id BIGINT NOT NULL,
    entry_id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    item_id BIGINT,
    sheet VARCHAR,
    "row" INTEGER,
    "column" INTEGER,
    cell VARCHAR,
    trial_id VARCHAR NOT NULL,
    session_id VARCHAR,
    session_date DATE,
    assessor_id VARCHAR,
    control_arm VARCHAR,
    treatment_arm VARCHAR,
    serving VARCHAR,
    picked INTEGER NOT NULL CHECK (picked BETWEEN 1 AND 3),
    correct BOOLEAN NOT NULL,
    preferred VARCHAR,
    note VARCHAR,
    text_sent VARCHAR
);

CREATE TABLE scores (
    score_id BIGINT NOT NULL,
    entry_id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    item_id BIGINT,
    sheet VARCHAR,
    "row" INTEGER,
    "column" INTEGER,
    cell VARCHAR,
    trial_id VARCHAR NOT NULL,
    session_id VARCHAR,
    session_date DATE,
    assessor_id VARCHAR,
    arm_id VARCHAR,
    vessel_id VARCHAR,
    attribute VARCHAR NOT NULL,
    score DOUBLE NOT NULL CHECK (isfinite(score)),
    scale_low DOUBLE,
    scale_high DOUBLE,
    replicate INTEGER,
    note VARCHAR,
    text_sent VARCHAR
);

-- From entry `entry_id` on the item stands or does not; `by_id` names the item of the same target that took its place.
CREATE TABLE supersessions (
    step_id BIGINT NOT NULL,
    entry_id INTEGER NOT NULL,
    target VARCHAR NOT NULL CHECK (target IN ('readings', 'picks', 'scores')),
    stored_id BIGINT NOT NULL,
    by_id BIGINT,
    stands BOOLEAN NOT NULL
);

CREATE TABLE set_aside (
    item_id BIGINT NOT NULL,
    entry_id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    sheet VARCHAR,
    "row" INTEGER,
    "column" INTEGER,
    cell VARCHAR,
    outcome VARCHAR NOT NULL CHECK (outcome IN ('refused', 'held', 'already')),
    target VARCHAR,
    text_sent VARCHAR,
    proposed VARCHAR,
    "current" VARCHAR
);

CREATE TABLE findings (
    finding_id INTEGER NOT NULL,
    entry_id INTEGER NOT NULL,
    file_id INTEGER,
    sheet VARCHAR,
    "row" INTEGER,
    "column" INTEGER,
    cell VARCHAR,
    code VARCHAR NOT NULL,
    severity VARCHAR NOT NULL CHECK (severity IN ('refuse', 'hold', 'remark')),
    value VARCHAR,
    message VARCHAR,
    suggestion VARCHAR
);

CREATE TABLE finding_items (finding_id INTEGER NOT NULL, item_id BIGINT NOT NULL);

-- A question that a later sheet made needless: `how` is mended (the readings came) or retaken (the same file was read anew).
CREATE TABLE answered (entry_id INTEGER NOT NULL, finding_id INTEGER NOT NULL, how VARCHAR NOT NULL);

CREATE TABLE lines (
    entry_id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    sheet VARCHAR,
    "row" INTEGER,
    "column" INTEGER,
    cell VARCHAR,
    what VARCHAR,
    "text" VARCHAR
);

CREATE TABLE decisions (
    decision_id INTEGER NOT NULL,
    entry_id INTEGER NOT NULL,
    finding_id INTEGER NOT NULL,
    verdict VARCHAR NOT NULL CHECK (verdict IN ('accept', 'refuse')),
    reason VARCHAR NOT NULL,
    value VARCHAR,
    decided_by VARCHAR
);

-- A register row holds from `entry_id` until `register_ends` says otherwise; `row_json` has every column as text.
CREATE TABLE register_rows (
    row_id BIGINT NOT NULL,
    entry_id INTEGER NOT NULL,
    register_table VARCHAR NOT NULL,
    row_key VARCHAR NOT NULL,
    row_json VARCHAR NOT NULL
);

CREATE TABLE register_ends (row_id BIGINT NOT NULL, entry_id INTEGER NOT NULL);
