//! Volumes: how a drive is divided, what lies in each part, and where each item's bytes are.
//!
//! Invariant: file systems give layouts, not bytes; every parser takes any bytes without
//! panicking, looping for ever or asking for memory that the input does not justify.

pub mod bits;
pub mod btrfs;
pub mod bytes;
pub mod chain;
pub mod exfat;
pub mod ext;
pub mod fat;
pub mod filesystem;
pub mod gap;
pub mod layout;
pub mod map;
pub mod ntfs;
pub mod sealed;
pub mod signature;
pub mod spare;
pub mod stored;
pub mod sums;
pub mod unpack;
pub mod xfs;
