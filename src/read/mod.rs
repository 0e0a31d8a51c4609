//! Where content comes from: a handle in a tree, a layout over sectors, or a copy already made.
//!
//! Invariant: whoever opens content sees bytes or faults, never zeros in place of bytes that could not be read.

pub mod content;
pub mod digest;
pub mod drives;
pub mod fingerprint;
pub mod in_hand;
pub mod places;
pub mod source;
pub mod trees;
pub mod watched;
