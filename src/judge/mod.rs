//! Decisions: pure functions over plain data.
//!
//! What is decided here: how likely the drive or some files are lost while copying
//! ([`forecast`]), which way to copy ([`route`]), what to copy first ([`order`]), what to ask a
//! weak drive next ([`gaps`]), and whether the hold may be released ([`gate`]).
//!
//! Invariant: no clock, no disk, no environment. The same input gives the same answer, every
//! number comes with its working, and what is not known never counts in a drive's favour.

mod evidence;
pub mod factors;
pub mod forecast;
pub mod gaps;
pub mod gate;
pub mod gate_content;
mod gate_points;
mod gate_record;
#[cfg(test)]
mod gate_tests;
pub mod hazard;
pub mod hits;
pub mod ladder;
pub mod memory;
pub mod order;
pub mod point;
pub mod route;
pub mod situation;
pub mod two_state;
pub mod working;
