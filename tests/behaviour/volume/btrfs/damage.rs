//! Damaged volumes.
