//! The ledger's tables, format 1. A newer format is read by newer programs only and never rewritten here. A table that
//! came to format 1 later is made when a ledger without it is opened for work; who does not know it is not disturbed.

/// "HPLd" in ASCII, so that a ledger is known from other SQLite files.
pub const APPLICATION_ID: i64 = 0x4850_4c64;

/// The format this program writes and reads.
pub const FORMAT: i64 = 1;

/// Lays out an empty ledger.
///
/// `item` is written by the survey; `got` by copy and verify; `queue` holds the order of
/// copying (place 1 first); `place` the bag path of each folder; `range` of [`RANGES`] joins them. Names are BLOBs: a name is
/// bytes or UTF-16 units, not text.
pub const CREATE: &str = "
BEGIN;
PRAGMA application_id = 0x48504c64;
PRAGMA user_version = 1;
CREATE TABLE setting(key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE fact(
  number INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
  before BLOB NOT NULL, hash BLOB NOT NULL) STRICT;
CREATE INDEX fact_kind ON fact(kind, number);
CREATE TABLE rule(id INTEGER PRIMARY KEY, name TEXT NOT NULL, why TEXT NOT NULL) STRICT;
CREATE TABLE item(
  id INTEGER PRIMARY KEY, parent INTEGER NOT NULL, volume INTEGER NOT NULL, name BLOB NOT NULL, wide INTEGER NOT NULL,
  stream BLOB, kind INTEGER NOT NULL, bytes INTEGER NOT NULL, allocated INTEGER NOT NULL, device INTEGER NOT NULL, inode INTEGER NOT NULL,
  modified INTEGER NOT NULL, changed INTEGER NOT NULL, created INTEGER NOT NULL, mode INTEGER NOT NULL, user INTEGER NOT NULL,
  grp INTEGER NOT NULL, names INTEGER NOT NULL, marks INTEGER NOT NULL, class INTEGER NOT NULL, rule INTEGER NOT NULL, want INTEGER NOT NULL,
  waiver INTEGER NOT NULL, twin INTEGER NOT NULL, bag TEXT, target BLOB, fault TEXT, seen INTEGER NOT NULL, layout BLOB) STRICT;
CREATE TABLE attribute(item INTEGER NOT NULL, name BLOB NOT NULL, value BLOB NOT NULL, PRIMARY KEY(item, name)) STRICT, WITHOUT ROWID;
CREATE TABLE place(item INTEGER PRIMARY KEY, bag TEXT NOT NULL) STRICT;
CREATE TABLE queue(place INTEGER PRIMARY KEY, item INTEGER NOT NULL) STRICT;
CREATE TABLE got(
  item INTEGER PRIMARY KEY, state INTEGER NOT NULL, blake3 BLOB, sha256 BLOB, written INTEGER NOT NULL, verified INTEGER NOT NULL,
  mismatch INTEGER NOT NULL, again INTEGER NOT NULL, batch INTEGER NOT NULL, missing TEXT, fault TEXT) STRICT;
COMMIT;
";

/// What was asked of a drive on the salvage route: a row for each answer, in their order; the last one about a sector
/// counts. `state` is the state's word, `asked` seconds since 1970; the other columns say where in which file of
/// `salvage/` its bytes are, and are empty unless they are in hand.
pub const RANGES: &str = "
CREATE TABLE IF NOT EXISTS range(
  id INTEGER PRIMARY KEY, drive INTEGER NOT NULL, first INTEGER NOT NULL, count INTEGER NOT NULL, state TEXT NOT NULL, asked INTEGER NOT NULL,
  destination INTEGER, file INTEGER, at INTEGER, bytes INTEGER, blake3 BLOB) STRICT;
";

/// The copies that the newest inspection put in doubt, and the decision that accepted each as it is (0 = none).
pub const DOUBTS: &str = "
CREATE TABLE IF NOT EXISTS doubt(item INTEGER PRIMARY KEY, waiver INTEGER NOT NULL) STRICT;
";
