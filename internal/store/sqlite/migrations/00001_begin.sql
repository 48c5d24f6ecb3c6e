-- +goose Up

-- The one row of counters. last_accepted is the greatest acceptance number given out.
CREATE TABLE office (
	id            INTEGER PRIMARY KEY CHECK (id = 1),
	last_accepted BIGINT NOT NULL,
	last_chain    BIGINT NOT NULL
);
INSERT INTO office (id, last_accepted, last_chain) VALUES (1, 0, 0);

-- Chains, versions and lines are the record. Nothing in them is ever changed, except that a
-- version grows.
CREATE TABLE chains (
	chain      INTEGER PRIMARY KEY,
	visit      TEXT NOT NULL,
	device_key BLOB NOT NULL CHECK (length(device_key) = 32),
	nature     TEXT NOT NULL CHECK (nature IN ('real', 'practice')),
	UNIQUE (visit, device_key)
);

-- A version of a chain has its own lines from from_seq on; those before are its parent's.
CREATE TABLE versions (
	chain    BIGINT NOT NULL REFERENCES chains (chain),
	version  BIGINT NOT NULL,
	parent   BIGINT NOT NULL,
	from_seq BIGINT NOT NULL,
	next_seq BIGINT NOT NULL,
	head     BLOB NOT NULL CHECK (length(head) = 32),
	ended    BOOLEAN NOT NULL,
	PRIMARY KEY (chain, version)
) WITHOUT ROWID;

-- ended is the state of the version after the line. The unique index serves three questions:
-- is a line stored, is the line before it stored, which lines has a chain.
CREATE TABLE lines (
	accepted INTEGER PRIMARY KEY CHECK (accepted > 0),
	chain    BIGINT NOT NULL REFERENCES chains (chain),
	seq      BIGINT NOT NULL,
	hash     BLOB NOT NULL CHECK (length(hash) = 32),
	version  BIGINT NOT NULL,
	ended    BOOLEAN NOT NULL,
	received BIGINT NOT NULL,
	line     BLOB NOT NULL,
	UNIQUE (chain, seq, hash)
);

-- Genuine lines whose line before is not stored yet.
CREATE TABLE waiting (
	visit      TEXT NOT NULL,
	device_key BLOB NOT NULL CHECK (length(device_key) = 32),
	seq        BIGINT NOT NULL,
	hash       BLOB NOT NULL CHECK (length(hash) = 32),
	received   BIGINT NOT NULL,
	line       BLOB NOT NULL,
	PRIMARY KEY (visit, device_key, seq, hash)
);

-- Attachments; their containers are files. erased is 0, or the time from which on the row is
-- a tombstone; removed says that its file is gone too; named, that a line names it.
CREATE TABLE attachments (
	id         TEXT PRIMARY KEY,
	media      TEXT NOT NULL,
	bytes      BIGINT NOT NULL,
	received   BIGINT NOT NULL,
	erased     BIGINT NOT NULL,
	erased_by  TEXT NOT NULL,
	erased_why TEXT NOT NULL,
	removed    BOOLEAN NOT NULL,
	named      BOOLEAN NOT NULL
) WITHOUT ROWID;
CREATE INDEX attachments_unnamed ON attachments (received) WHERE NOT named AND erased = 0;
CREATE INDEX attachments_unremoved ON attachments (erased) WHERE erased > 0 AND NOT removed;

-- The attachments that lines name, whether they have come or not.
CREATE TABLE named (
	id TEXT PRIMARY KEY
) WITHOUT ROWID;

CREATE TABLE people (
	person    TEXT PRIMARY KEY,
	name      TEXT NOT NULL,
	added     BIGINT NOT NULL,
	withdrawn BIGINT NOT NULL
) WITHOUT ROWID;

CREATE TABLE device_keys (
	device_key BLOB PRIMARY KEY CHECK (length(device_key) = 32),
	person     TEXT NOT NULL REFERENCES people (person),
	device     TEXT NOT NULL,
	added      BIGINT NOT NULL,
	withdrawn  BIGINT NOT NULL
) WITHOUT ROWID;
CREATE INDEX device_keys_person ON device_keys (person);

-- day, hour, person and what follows them say what lists choose and order jobs by; words is
-- what is searched, in small letters.
CREATE TABLE jobs (
	reference   TEXT PRIMARY KEY,
	body        TEXT NOT NULL,
	batch       TEXT NOT NULL,
	added       BIGINT NOT NULL,
	changed     BIGINT NOT NULL,
	day         TEXT NOT NULL,
	hour        TEXT NOT NULL,
	person      TEXT NOT NULL,
	address     TEXT NOT NULL,
	meter_point TEXT NOT NULL,
	words       TEXT NOT NULL
);
CREATE INDEX jobs_day ON jobs (day, hour, reference, person);
CREATE INDEX jobs_person ON jobs (person, day, hour, reference);
CREATE INDEX jobs_changed ON jobs (changed, reference);
CREATE INDEX jobs_address ON jobs (address, reference);
CREATE INDEX jobs_meter_point ON jobs (meter_point, reference);

-- The mark of the projections: all lines up to it are in them. edition is the projector's.
CREATE TABLE projections (
	id      INTEGER PRIMARY KEY CHECK (id = 1),
	edition TEXT NOT NULL,
	mark    BIGINT NOT NULL
);
INSERT INTO projections (id, edition, mark) VALUES (1, '', 0);

-- One row for each visit, made from its lines alone. through is the greatest acceptance
-- number among the lines that it was made from.
CREATE TABLE summaries (
	visit            TEXT PRIMARY KEY,
	through          BIGINT NOT NULL,
	nature           TEXT NOT NULL,
	job              TEXT NOT NULL,
	address          TEXT NOT NULL,
	method           TEXT NOT NULL,
	state            TEXT NOT NULL,
	stop             TEXT NOT NULL,
	supply_off_since BIGINT NOT NULL,
	person           TEXT NOT NULL,
	opened           BIGINT NOT NULL,
	opened_offset    BIGINT NOT NULL,
	day              TEXT NOT NULL,
	last             BIGINT NOT NULL,
	last_offset      BIGINT NOT NULL,
	outcome          TEXT NOT NULL,
	discrepancies    BIGINT NOT NULL,
	lines            BIGINT NOT NULL,
	chains           BIGINT NOT NULL,
	forks            BIGINT NOT NULL,
	details          TEXT NOT NULL
);
-- Each index begins with what a list is filtered by, goes on with its order, and ends with
-- what it may be filtered by besides, so that rows that do not fit are passed over unread.
CREATE INDEX summaries_opened ON summaries (opened, visit, nature);
CREATE INDEX summaries_day ON summaries (day, opened, visit, nature, state);
CREATE INDEX summaries_person ON summaries (person, opened, visit, nature, state);
CREATE INDEX summaries_state ON summaries (state, opened, visit, nature);
CREATE INDEX summaries_job ON summaries (job, opened, visit);

-- What the visits need of somebody and nobody has taken: made from the lines, like the summaries, and
-- from taken. From wakes on it needs somebody. The index has it as it is listed.
CREATE TABLE needs (
	visit  TEXT NOT NULL,
	need   TEXT NOT NULL,
	danger BOOLEAN NOT NULL,
	since  BIGINT NOT NULL,
	wakes  BIGINT NOT NULL,
	PRIMARY KEY (visit, need)
) WITHOUT ROWID;
CREATE INDEX needs_order ON needs (danger DESC, since, visit, wakes);

-- Who took what a visit needed, and what was done. Only ever added to. what is the need as it was.
CREATE TABLE taken (
	number INTEGER PRIMARY KEY,
	visit  TEXT NOT NULL,
	need   TEXT NOT NULL,
	what   TEXT NOT NULL,
	person TEXT NOT NULL REFERENCES people (person),
	words  TEXT NOT NULL,
	at     BIGINT NOT NULL,
	UNIQUE (visit, need)
);
CREATE TRIGGER taken_stays BEFORE UPDATE ON taken BEGIN SELECT RAISE(ABORT, 'what was taken is not changed'); END;
CREATE TRIGGER taken_remains BEFORE DELETE ON taken BEGIN SELECT RAISE(ABORT, 'what was taken is not removed'); END;

-- What the planner is to believe of these indexes, for good: how many rows there are, and how
-- many have the same first column, first two columns and so on. Without it, it takes the
-- index on a state that most visits have as readily as that on a person, and lists of rare
-- combinations take seconds.
ANALYZE;
DELETE FROM sqlite_stat1;
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
	('jobs', 'jobs_day', '1000000 1000 10 1 1'),
	('jobs', 'jobs_person', '1000000 5000 20 2 1'),
	('summaries', 'summaries_opened', '1000000 2 1 1'),
	('summaries', 'summaries_day', '1000000 1000 2 1 1 1'),
	('summaries', 'summaries_person', '1000000 5000 2 1 1 1'),
	('summaries', 'summaries_state', '1000000 300000 2 1 1'),
	('summaries', 'summaries_job', '1000000 2 1 1');
