"""The tables of a manifest, and what each is for.

A tree is kept as rows that know their parent, so that a renamed folder is one changed row
whatever lies below it. Numbers without a declared type hold whatever integer a file system
gives, also beyond 64 bits (as decimal text), which a typed column would round.
"""

VERSION = 2
# "NFry": in the header of every manifest since format 2, for file(1) and the like (sqlite.org/pragma.html).
APPLICATION_ID = 0x4E467279

TABLES = """
-- What the manifest is about: schema, pair, volumes, generation.
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

-- The copy as it stands, one row a name. Row 1 is the root. Ids are never used twice: the past refers to them.
CREATE TABLE entry (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  parent INTEGER NOT NULL,
  name BLOB NOT NULL,
  kind INTEGER NOT NULL,
  size_bytes INTEGER NOT NULL,
  mtime_ns NOT NULL, ctime_ns NOT NULL,      -- on the primary, when it was read
  inode INTEGER NOT NULL,                    -- on the primary
  mode INTEGER NOT NULL, uid INTEGER NOT NULL, gid INTEGER NOT NULL, nlink INTEGER NOT NULL,
  algorithm INTEGER, digest BLOB,            -- of a file's content
  target BLOB,                               -- of a symlink
  xattrs INTEGER,                            -- row of xattrs, NULL for none
  born INTEGER NOT NULL,                     -- run in which the name appeared
  since INTEGER NOT NULL,                    -- run that wrote this version
  read_primary_s INTEGER, read_secondary_s INTEGER,  -- when last read and found intact, Unix time
  dirty INTEGER,                             -- folder: 1 while its metadata on the secondary is not yet set
  listing BLOB                               -- folder: fingerprint of its files as last seen on the primary
);
CREATE UNIQUE INDEX entry_path ON entry (parent, name);
CREATE INDEX entry_folders ON entry (parent) WHERE kind = 1;
CREATE INDEX entry_dirty ON entry (id) WHERE dirty = 1;
CREATE INDEX entry_inode ON entry (inode);

-- Sets of extended attributes, each stored once.
CREATE TABLE xattrs (id INTEGER PRIMARY KEY, packed BLOB NOT NULL UNIQUE);

-- Versions that are no longer the present one: valid in the runs since .. until - 1. One of the reason 'displaced' was
-- displaced on the primary by a command that a person gave: it stood in no state of the copy, so since = until.
CREATE TABLE past (
  id INTEGER PRIMARY KEY,
  entry INTEGER NOT NULL, parent INTEGER NOT NULL, name BLOB NOT NULL,
  kind INTEGER NOT NULL, size_bytes INTEGER NOT NULL, mtime_ns NOT NULL, ctime_ns NOT NULL,
  inode INTEGER NOT NULL, mode INTEGER NOT NULL, uid INTEGER NOT NULL, gid INTEGER NOT NULL, nlink INTEGER NOT NULL,
  algorithm INTEGER, digest BLOB, target BLOB, xattrs INTEGER,
  born INTEGER NOT NULL, since INTEGER NOT NULL, until INTEGER NOT NULL,
  reason TEXT NOT NULL,                      -- changed, moved, removed, metadata
  held BLOB,                                 -- where its content stands, below retired/; NULL: not there
  expired INTEGER,                           -- run that let the content go
  read_s INTEGER                             -- when the content was last read in retired/ and found intact
);
CREATE INDEX past_until ON past (until);
CREATE INDEX past_entry ON past (entry, until);
CREATE INDEX past_held ON past (until, id) WHERE held IS NOT NULL;
CREATE INDEX past_name ON past (parent, name, until);
CREATE INDEX past_inode ON past (inode);

-- Runs, from 1. Times are Unix time in seconds.
CREATE TABLE run (
  number INTEGER PRIMARY KEY,
  stamp TEXT NOT NULL,
  started_s REAL NOT NULL, ended_s REAL,
  outcome TEXT,                              -- complete, partial, held, interrupted, failed; NULL while it runs
  summary TEXT NOT NULL DEFAULT '{}'         -- JSON: counts, bytes and notes, as the reports show them
);

-- Names a run did not copy, and why.
CREATE TABLE left_out (
  run INTEGER NOT NULL, kind TEXT NOT NULL, path BLOB NOT NULL, detail TEXT NOT NULL
);
CREATE INDEX left_out_run ON left_out (run);

-- Content that is wrong and whose metadata says nobody changed it. Open while closed_run is NULL.
CREATE TABLE damage (
  id INTEGER PRIMARY KEY,
  path BLOB NOT NULL, side TEXT NOT NULL, verdict TEXT NOT NULL, found_by TEXT NOT NULL,
  found_run INTEGER NOT NULL, found_s REAL NOT NULL, detail TEXT NOT NULL,
  closed_run INTEGER, became TEXT,
  entry INTEGER,                             -- row of the copy that it is about, NULL: none
  past INTEGER,                              -- row of past that it is about, of side retired
  inode INTEGER, size_bytes INTEGER, mtime_ns,  -- of the bad file on the primary, as it was found
  algorithm INTEGER,
  digest BLOB,                               -- of the right content
  bad_digest BLOB                            -- of the wrong content, by the same algorithm; NULL: unreadable or missing
);
CREATE INDEX damage_open ON damage (path) WHERE closed_run IS NULL;
CREATE INDEX damage_entry ON damage (entry) WHERE closed_run IS NULL;
CREATE INDEX damage_inode ON damage (inode) WHERE closed_run IS NULL;
CREATE INDEX damage_digest ON damage (digest) WHERE closed_run IS NULL;

-- Nights that stopped short of removing and replacing.
CREATE TABLE hold (
  run INTEGER PRIMARY KEY,
  removals INTEGER NOT NULL, replacements INTEGER NOT NULL, reasons TEXT NOT NULL,
  released_s REAL, spent_run INTEGER
);

-- What is about to be named on the secondary. Empty but for the time a batch takes, or after a crash.
CREATE TABLE intent (
  seq INTEGER PRIMARY KEY,
  run INTEGER NOT NULL, action TEXT NOT NULL, path BLOB NOT NULL,
  entry INTEGER, source BLOB, staged BLOB, held BLOB, reason TEXT,
  kind INTEGER, size_bytes INTEGER, mtime_ns, ctime_ns, inode INTEGER, mode INTEGER, uid INTEGER, gid INTEGER,
  nlink INTEGER, algorithm INTEGER, digest BLOB, target BLOB, xattrs INTEGER,
  read_primary_s INTEGER, read_secondary_s INTEGER
);
"""

# The plan of one night lives in a private temporary database, which SQLite keeps in memory until
# it outgrows its cache and then in an unlinked file: nothing is written on a quiet night.
PLAN_TABLES = """
CREATE TABLE item (
  seq INTEGER PRIMARY KEY,
  step INTEGER NOT NULL,
  path BLOB NOT NULL,
  entry INTEGER,                             -- the row this is about, or that it moves from
  base INTEGER,                              -- a row whose copy has the same inode on the primary
  kind INTEGER, size_bytes INTEGER, mtime_ns, ctime_ns, inode INTEGER, mode INTEGER, uid INTEGER, gid INTEGER,
  nlink INTEGER, allocated_bytes INTEGER,
  digest BLOB, algorithm INTEGER             -- where comparing had to read it
);
CREATE INDEX item_step ON item (step, seq);
CREATE TABLE vanished (entry INTEGER PRIMARY KEY);
CREATE TABLE claimed (entry INTEGER PRIMARY KEY);
CREATE TABLE listing (path BLOB PRIMARY KEY, fingerprint BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE incomplete (path BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE sorting (name BLOB PRIMARY KEY, packed BLOB NOT NULL) WITHOUT ROWID;
"""
