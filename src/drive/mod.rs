//! The drive itself: who it is, what may be asked of it, what it says about its health.
//!
//! Invariant: bytes in, values out. Every decoder takes any bytes without panicking, and
//! no absent, refused or damaged answer ever becomes a favourable value.

pub mod asking;
pub mod counters;
pub mod evidence;
pub mod health;
pub mod identity;
pub mod question;
pub mod reading;
pub mod replies;
pub mod signal;
