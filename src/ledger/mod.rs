//! The ledger: everything known about a job, in one SQLite file.
