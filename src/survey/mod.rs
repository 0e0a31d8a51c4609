//! What is there: items, people, classes, and whether everything adds up.
//!
//! Invariant: what matches no rule is irreplaceable; nothing is left out except by a named rule.

pub mod class;
pub mod genuine;
pub mod hive;
pub mod item;
pub mod mounted;
mod pattern;
pub mod person;
pub mod root;
pub mod sort;
