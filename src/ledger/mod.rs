//! The ledger: everything known about a job, in one SQLite file that can be copied.
//!
//! Invariant: what the ledger says was done is on the medium already (the engine makes
//! bytes durable first, then commits one transaction that says so); what it does not say
//! never happened. Facts are chained by hash, and a running sum over the item rows stands
//! in every fact that closes a change, so an edit by hand shows.
//!
//! Rollback journal with `synchronous=FULL`: after a crash the truth is in `ledger.db` and
//! the `-journal` file beside it that belongs to it; no write-ahead file has to travel along.

pub mod doubts;
pub mod facts;
pub mod items;
mod page;
pub mod ranges;
pub mod row;
pub mod rowsum;
mod schema;
pub mod sight;
pub mod standing;
mod strip;
pub mod terms;

use crate::port::{Fault, FaultKind};
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use std::path::{Path, PathBuf};

pub use facts::{Fact, FactBody};
pub use page::Paged;
pub use ranges::{Held, RangeRow};
pub use row::{Got, GotRow, ItemRow, Want};
pub use rowsum::RowSum;
pub use sight::Sight;
pub use strip::TAKEN_OUT;

/// Why the ledger could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// SQLite said no.
    #[error("the ledger {path}: {doing}: {source}")]
    Store {
        /// What was tried.
        doing: &'static str,
        /// Which ledger.
        path: String,
        /// SQLite's answer.
        source: rusqlite::Error,
    },
    /// Not a ledger at all, or a damaged one.
    #[error("{path} is not a holdpoint ledger: expected {expected}, found {found}")]
    NotALedger {
        /// Which file.
        path: String,
        /// What was expected.
        expected: String,
        /// What was there.
        found: String,
    },
    /// Made by a newer holdpoint: may be read by that one only.
    #[error(
        "{path} was written by a newer holdpoint (format {found}; this one knows up to {known})"
    )]
    Newer {
        /// Which file.
        path: String,
        /// Its format number.
        found: i64,
        /// The newest format that this program knows.
        known: i64,
    },
    /// Another process works on the job.
    #[error("another holdpoint is at work on this job ({path})")]
    Busy {
        /// The job folder.
        path: String,
    },
    /// A step was cut off in the middle of a transaction, and that cannot be undone from here.
    #[error(
        "a step on {path} was cut off, and what it had begun cannot be undone where the file cannot be written to"
    )]
    Unfinished {
        /// Which file.
        path: String,
    },
    /// A chained fact does not fit the one before it.
    #[error("the ledger's chain breaks at fact {number}: expected {expected}, found {found}")]
    Broken {
        /// Number of the first fact that does not fit.
        number: i64,
        /// What was expected there.
        expected: String,
        /// What was there.
        found: String,
    },
}

/// What stands for the path of a ledger in memory.
const IN_MEMORY: &str = "(in memory)";

/// How long a ledger that another process works on is waited for.
const WAIT: std::time::Duration = std::time::Duration::from_secs(3);

/// An open ledger. One connection, one writer.
pub struct Ledger {
    db: Connection,
    path: String,
    /// The format number, where it is one that this program does not know.
    newer: Option<i64>,
    /// Holds the job folder against a second writer until this ledger is closed.
    _alone: Option<std::fs::File>,
}

impl Ledger {
    /// The file name in a job folder.
    pub const FILE: &'static str = "ledger.db";

    /// Whether a folder holds a job's ledger.
    pub fn is_in(dir: &Path) -> bool {
        dir.join(Self::FILE).is_file()
    }

    /// The setting that tells a snapshot from the ledger.
    const SNAPSHOT_OF: &'static str = "snapshot-of";

    /// Starts a new ledger at `path`; it must not exist.
    pub fn create(path: &Path) -> Result<Self, LedgerError> {
        let shown = path.display().to_string();
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(path, flags).map_err(|source| LedgerError::Store {
            doing: "creating it",
            path: shown.clone(),
            source,
        })?;
        let ledger = Self {
            db,
            path: shown,
            newer: None,
            _alone: alone(path)?,
        };
        ledger.tune()?;
        ledger.doing(
            "laying out its tables",
            ledger.db.execute_batch(schema::CREATE),
        )?;
        ledger.lay_out_ranges()?;
        ledger.lay_out_doubts()?;
        Ok(ledger)
    }

    /// A ledger in memory, for simulated lives.
    pub fn in_memory() -> Result<Self, LedgerError> {
        let path = IN_MEMORY.to_owned();
        let db = Connection::open_in_memory().map_err(|source| LedgerError::Store {
            doing: "creating it",
            path: path.clone(),
            source,
        })?;
        let ledger = Self {
            db,
            path,
            newer: None,
            _alone: None,
        };
        ledger.doing(
            "laying out its tables",
            ledger.db.execute_batch(schema::CREATE),
        )?;
        ledger.lay_out_ranges()?;
        ledger.lay_out_doubts()?;
        Ok(ledger)
    }

    /// A ledger in memory that outlives its connections: every ledger opened under `name` in this
    /// process is the same one, as long as one of them stays open. For simulated lives, where a crash
    /// takes the engine away and leaves the ledger.
    ///
    /// `goes_through` is asked before every commit; `false` turns the commit into a roll-back that
    /// fails, as loss of power at that instant would.
    pub(crate) fn in_shared_memory(
        name: &str,
        goes_through: impl Fn() -> bool + Send + 'static,
    ) -> Result<Self, LedgerError> {
        let path = IN_MEMORY.to_owned();
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_URI
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let opened = Connection::open_with_flags(format!("file:/{name}?vfs=memdb"), flags);
        let db = opened.map_err(|source| LedgerError::Store {
            doing: "opening it",
            path: path.clone(),
            source,
        })?;
        let mut ledger = Self {
            db,
            path,
            newer: None,
            _alone: None,
        };
        let tables = ledger
            .db
            .query_row("SELECT count(*) FROM sqlite_schema", [], |row| {
                row.get::<_, i64>(0)
            });
        if ledger.doing("looking for its tables", tables)? == 0 {
            ledger.doing(
                "laying out its tables",
                ledger.db.execute_batch(schema::CREATE),
            )?;
        }
        ledger.lay_out_ranges()?;
        ledger.lay_out_doubts()?;
        let watched = ledger.db.commit_hook(Some(move || !goes_through()));
        ledger.doing("watching commits", watched)?;
        Ok(ledger)
    }

    /// Opens the ledger of a job for work.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        Self::open_as(
            path,
            OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
            true,
        )
    }

    /// Opens a ledger or a snapshot for reading only; works while another process writes to it.
    ///
    /// A run that was cut off in the middle of a transaction leaves the way back beside the file; only a writer may go
    /// it, so one does first, where the file can be written to.
    ///
    /// # Errors
    /// [`LedgerError::Busy`] while a writer holds the whole file, [`LedgerError::Unfinished`] when what was cut off
    /// cannot be undone from here.
    pub fn open_to_read(path: &Path) -> Result<Self, LedgerError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        match Self::open_as(path, flags, false) {
            Err(LedgerError::Unfinished { path: shown }) => {
                let undone = Self::open(path).map(drop);
                undone.map_err(|e| match e {
                    LedgerError::Busy { .. } => e,
                    _ => LedgerError::Unfinished { path: shown },
                })?;
                Self::open_as(path, flags, false)
            }
            opened => opened,
        }
    }

    fn open_as(path: &Path, flags: OpenFlags, to_work: bool) -> Result<Self, LedgerError> {
        let shown = path.display().to_string();
        let not_a_ledger = |found: String| LedgerError::NotALedger {
            path: shown.clone(),
            expected: format!(
                "a SQLite file with application id {:#x}",
                schema::APPLICATION_ID
            ),
            found,
        };
        let found = |e: rusqlite::Error| match e.sqlite_error_code() {
            Some(rusqlite::ErrorCode::NotADatabase) => "a file that is no database".to_owned(),
            Some(rusqlite::ErrorCode::CannotOpen) => "a file that cannot be opened".to_owned(),
            _ => e.to_string(),
        };
        let db = Connection::open_with_flags(path, flags).map_err(|e| not_a_ledger(found(e)))?;
        let number = |pragma: &str| {
            db.query_row(&format!("PRAGMA {pragma}"), [], |row| row.get::<_, i64>(0))
        };
        let unreadable = |e: rusqlite::Error| match e.sqlite_error_code() {
            Some(rusqlite::ErrorCode::DatabaseBusy | rusqlite::ErrorCode::DatabaseLocked) => {
                LedgerError::Busy {
                    path: shown.clone(),
                }
            }
            Some(rusqlite::ErrorCode::ReadOnly | rusqlite::ErrorCode::CannotOpen) => {
                LedgerError::Unfinished {
                    path: shown.clone(),
                }
            }
            _ => not_a_ledger(found(e)),
        };
        let id = number("application_id").map_err(unreadable)?;
        if id != schema::APPLICATION_ID {
            return Err(not_a_ledger(format!("application id {id:#x}")));
        }
        let page = number("page_size").map_err(unreadable)?;
        let bytes = std::fs::metadata(path).map_or(0, |found| found.len());
        // SQLite reads the rest of a page that is cut as zeros, which is no damage where the page is free. Torn it is.
        if to_work && !bytes.is_multiple_of(page.max(1) as u64) {
            return Err(not_a_ledger(format!("a file cut off at {bytes} bytes")));
        }
        let format = number("user_version").map_err(unreadable)?;
        // A newer one is never written to, and read only where what has to be read is still there.
        let newer = (format > schema::FORMAT).then_some(format);
        if newer.is_some() && (to_work || !has_what_showing_needs(&db)) {
            return Err(LedgerError::Newer {
                path: shown,
                found: format,
                known: schema::FORMAT,
            });
        }
        if newer.is_none() && format != schema::FORMAT {
            return Err(not_a_ledger(format!("format {format}")));
        }
        let mut ledger = Self {
            db,
            path: shown,
            newer,
            _alone: None,
        };
        if to_work {
            ledger._alone = alone(path)?;
            ledger.tune()?;
            ledger.lay_out_ranges()?;
            ledger.lay_out_doubts()?;
        }
        Ok(ledger)
    }

    fn tune(&self) -> Result<(), LedgerError> {
        // FULL: a commit returns when it is on the medium. The journal stays as it is, not deleted and not truncated: that
        // costs no change of its folder, and it takes no other place on the medium each time.
        self.doing(
            "setting it up",
            self.db.execute_batch(
                "PRAGMA journal_mode=PERSIST; PRAGMA synchronous=FULL; PRAGMA temp_store=FILE;
                 PRAGMA cache_size=-8000; PRAGMA foreign_keys=OFF; PRAGMA busy_timeout=5000;",
            ),
        )
    }

    /// Attaches what was being done to an error of the store.
    pub(crate) fn doing<T>(
        &self,
        doing: &'static str,
        outcome: rusqlite::Result<T>,
    ) -> Result<T, LedgerError> {
        outcome.map_err(|source| LedgerError::Store {
            doing,
            path: self.path.clone(),
            source,
        })
    }

    /// Runs `work` as one transaction: all of it is durable when this returns `Ok`, none of it otherwise.
    pub fn transaction<T, E: From<LedgerError>>(
        &self,
        work: impl FnOnce(&Ledger) -> Result<T, E>,
    ) -> Result<T, E> {
        self.doing(
            "beginning a transaction",
            self.db.execute_batch("BEGIN IMMEDIATE"),
        )?;
        match work(self) {
            Ok(value) => {
                if let Err(e) = self.doing("committing", self.db.execute_batch("COMMIT")) {
                    self.give_up();
                    return Err(e.into());
                }
                Ok(value)
            }
            Err(e) => {
                self.give_up();
                Err(e)
            }
        }
    }

    /// Rolls back whatever is open, as a crash would.
    pub fn give_up(&self) {
        // Nothing is lost when there is no transaction: the error only says so.
        let _ = self.db.execute_batch("ROLLBACK");
    }

    /// A small value kept by name.
    pub fn get(&self, key: &str) -> Result<Option<String>, LedgerError> {
        self.doing(
            "reading a setting",
            self.db
                .query_row("SELECT value FROM setting WHERE key=?1", [key], |row| {
                    row.get(0)
                })
                .optional(),
        )
    }

    /// Keeps a small value by name.
    pub fn set(&self, key: &str, value: &str) -> Result<(), LedgerError> {
        self.doing(
            "keeping a setting",
            self.db.execute(
                "INSERT OR REPLACE INTO setting(key, value) VALUES(?1, ?2)",
                [key, value],
            ),
        )?;
        Ok(())
    }

    /// Brings `bytes` of free pages into the file, written: what is recorded next takes no new place on the medium.
    pub fn make_room(&self, bytes: u32) -> Result<(), LedgerError> {
        let doing = "making room in it";
        let number = |pragma| {
            self.db
                .pragma_query_value(None, pragma, |row| row.get::<_, i64>(0))
        };
        let free = number("freelist_count").and_then(|pages| Ok(pages * number("page_size")?));
        if self.doing(doing, free)? >= i64::from(bytes) {
            return Ok(());
        }
        // Dropped in a transaction of its own: pages that are free again before the end of theirs are not written. A run that
        // was cut off in between leaves one.
        self.transaction(|ledger| {
            let fill = ledger
                .db
                .execute_batch("DROP TABLE IF EXISTS room; CREATE TABLE room(filling BLOB)")
                .and_then(|()| {
                    ledger
                        .db
                        .execute("INSERT INTO room VALUES(randomblob(?1))", [bytes])
                });
            ledger.doing(doing, fill).map(|_| ())
        })?;
        self.transaction(|ledger| ledger.doing(doing, ledger.db.execute_batch("DROP TABLE room")))
    }

    /// Writes a complete, compact copy of the ledger to `path` (which must not exist), with the note `of` in it that
    /// tells it from the ledger itself.
    pub fn snapshot_to(&self, path: &Path, of: &str) -> Result<(), LedgerError> {
        let text = path.to_string_lossy().into_owned();
        self.doing(
            "writing a snapshot",
            self.db.execute("VACUUM INTO ?1", [text]),
        )?;
        let copy = Connection::open(path)
            .and_then(|copy| {
                copy.execute_batch("PRAGMA journal_mode=MEMORY; PRAGMA synchronous=OFF")?;
                copy.execute(
                    "INSERT OR REPLACE INTO setting(key, value) VALUES(?1, ?2)",
                    [Self::SNAPSHOT_OF, of],
                )
            })
            .map(|_| ());
        self.doing("marking a snapshot", copy)
    }

    /// The note in a snapshot; `None` = this is the ledger itself.
    pub fn snapshot_of(&self) -> Result<Option<String>, LedgerError> {
        self.get(Self::SNAPSHOT_OF)
    }

    /// Makes a snapshot the ledger: what happened after its last fact is not known. Call inside a transaction.
    pub fn take_back(&self, at: crate::value::Moment) -> Result<(), LedgerError> {
        let known = self
            .db
            .query_row("SELECT coalesce(max(number), 0) FROM fact", [], |row| {
                row.get(0)
            });
        let facts = self.doing("counting the facts", known)?;
        self.doing(
            "taking the note out of a snapshot",
            self.db
                .execute("DELETE FROM setting WHERE key = ?1", [Self::SNAPSHOT_OF]),
        )?;
        self.record(at, &FactBody::TakenBack { facts }).map(|_| ())
    }

    /// Where the ledger lies; `None` for one in memory.
    pub fn path(&self) -> Option<PathBuf> {
        let in_memory = self.path == IN_MEMORY;
        self.db
            .path()
            .filter(|p| !p.is_empty() && !in_memory)
            .map(PathBuf::from)
    }

    pub(crate) fn db(&self) -> &Connection {
        &self.db
    }

    /// The format of a ledger that a newer program wrote; what this one reads of it may be incomplete. `None` = ours.
    pub fn newer(&self) -> Option<i64> {
        self.newer
    }

    /// The refusal of a step that a newer ledger does not allow.
    pub fn too_new(&self) -> LedgerError {
        LedgerError::Newer {
            path: self.path.clone(),
            found: self.newer.unwrap_or(schema::FORMAT),
            known: schema::FORMAT,
        }
    }

    /// The ledger's place in words.
    pub fn shown_path(&self) -> &str {
        &self.path
    }
}

/// Whether the tables and columns are there that telling where a job stands reads.
fn has_what_showing_needs(db: &Connection) -> bool {
    [
        "SELECT value FROM setting WHERE key = ''",
        "SELECT number, at, body, before, hash FROM fact LIMIT 0",
        "SELECT id, kind, want, marks, class, bytes FROM item LIMIT 0",
        "SELECT item, state, written, verified, mismatch FROM got LIMIT 0",
    ]
    .iter()
    .all(|query| db.prepare(query).is_ok())
}

impl LedgerError {
    /// The ledger (or job folder) that it is about; empty where only the fact is known.
    pub fn on(&self) -> &str {
        match self {
            LedgerError::Store { path, .. }
            | LedgerError::NotALedger { path, .. }
            | LedgerError::Newer { path, .. }
            | LedgerError::Busy { path }
            | LedgerError::Unfinished { path } => path,
            LedgerError::Broken { .. } => "",
        }
    }

    /// Whether the medium that it lies on has no room left.
    pub fn is_without_room(&self) -> bool {
        let full = Some(rusqlite::ErrorCode::DiskFull);
        matches!(self, LedgerError::Store { source, .. } if source.sqlite_error_code() == full)
    }

    /// Whether the file itself is torn: no disk that is full or gone, and no doing it again helps.
    pub fn is_torn(&self) -> bool {
        let LedgerError::Store { source, .. } = self else {
            return false;
        };
        matches!(
            source.sqlite_error_code(),
            Some(rusqlite::ErrorCode::DatabaseCorrupt | rusqlite::ErrorCode::NotADatabase)
        )
    }
}

/// Takes the job folder for one process alone: steps keep the sum of the rows at hand between their transactions,
/// so a second writer in between would break it. A file system that cannot lock is worked on without.
fn alone(ledger: &Path) -> Result<Option<std::fs::File>, LedgerError> {
    use std::fs::TryLockError;
    let folder = match ledger.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let Ok(folder_file) = std::fs::File::open(folder) else {
        return Ok(None);
    };
    let since = std::time::Instant::now();
    loop {
        match folder_file.try_lock() {
            Ok(()) => return Ok(Some(folder_file)),
            Err(TryLockError::Error(_)) => return Ok(None),
            Err(TryLockError::WouldBlock) if since.elapsed() < WAIT => {
                std::thread::sleep(std::time::Duration::from_millis(50));
            }
            Err(TryLockError::WouldBlock) => {
                return Err(LedgerError::Busy {
                    path: folder.display().to_string(),
                });
            }
        }
    }
}

impl From<LedgerError> for Fault {
    fn from(e: LedgerError) -> Self {
        Fault::new(FaultKind::Other, "keeping the ledger", e.to_string())
    }
}
