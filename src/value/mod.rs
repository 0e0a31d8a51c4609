//! Plain values of the trade: quantities with units, moments, digests, names, and the
//! difference between "known", "not reported", "implausible" and "could not be read".
//!
//! Invariant: nothing here touches a clock, a disk or the environment.

pub mod digest;
pub mod hex;
pub mod known;
pub mod measure;
pub mod moment;
pub mod name;
pub mod shown;
pub mod typed;
pub mod words;

pub use digest::{Blake3, Sha256};
pub use known::Known;
pub use measure::{Amount, Counter128, Probability};
pub use moment::Moment;
pub use name::Name;
pub use shown::shown;
pub use typed::typed;
