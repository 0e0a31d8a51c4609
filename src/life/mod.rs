//! The simulator: virtual drives, destinations, memory and clock, in which the real engine runs
//! one whole job on virtual time.
//!
//! Invariant: one seed makes one life. Whatever happens in it is drawn from the seed, counted by
//! operations and judged afterwards by somebody who knows the true bytes.

pub mod bench;
pub mod clock;
pub mod demo;
pub mod destination;
pub mod disk;
pub mod fate;
pub mod files;
pub mod health;
pub mod memory;
pub mod oracle;
pub mod seed;
pub mod story;
pub mod tree;
pub mod world;

#[cfg(test)]
mod tests;
#[cfg(test)]
mod weak_tests;

pub use bench::LifeBench;
pub use clock::LifeClock;
pub use seed::Seed;
