//! Decisions: pure functions over plain data. No clock, no disk, no environment.

pub mod gate;
mod gate_points;
pub mod point;
