//! The folder handed over: an RFC 8493 bag of the saved items and the evidence.
//!
//! Invariant: every name in a bag is valid on the strictest file system that a destination may have, needs no
//! escaping in a manifest, and leads back to the exact original name.

pub mod check;
pub mod name;
pub mod renamed;
pub mod seal;
pub mod spare;
pub mod stream;
pub mod text;
