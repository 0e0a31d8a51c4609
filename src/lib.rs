//! holdpoint stands between a customer's drive and a wipe.
//!
//! Five floors; imports run strictly downward (`tests/architecture.rs` holds them apart):
//!
//! | floor | rooms | what may happen there |
//! | --- | --- | --- |
//! | face | [`cli`] | the only place that prints or asks |
//! | world | [`linux`], [`life`] | implements the ports; the only unsafe code (`linux`) |
//! | do | [`job`], [`step`], [`read`], [`ledger`], [`bag`], [`paper`] | acts, only through ports |
//! | decide | [`judge`] | pure: no clock, no disk, no environment |
//! | know | [`value`], [`drive`], [`volume`], [`survey`], [`policy`], [`port`] | bytes and text in, values out; pure |

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::panic))]

// know
pub mod drive;
pub mod policy;
pub mod port;
pub mod survey;
pub mod value;
pub mod volume;
// decide
pub mod judge;
// do
pub mod bag;
pub mod job;
pub mod ledger;
pub mod paper;
pub mod read;
pub mod step;
// world
pub mod life;
pub mod linux;
// face
pub mod cli;

// Unit tests and behaviour tests say in one way that they were skipped.
#[cfg(test)]
#[path = "../tests/support/skip.rs"]
pub(crate) mod skip;
