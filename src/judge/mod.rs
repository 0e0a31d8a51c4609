//! Decisions: pure functions over plain data.
