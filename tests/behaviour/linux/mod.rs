//! The real world against the real kernel: loop devices, mounts, bind mounts. Needs root; where
//! something is missing the test says so and does nothing.

mod block;
mod destination;
pub mod support;
mod topology;
mod tree;
