//! XFS, as the kernel's driver reads it: every name with the place of its bytes, out of a mount above a scratch.
//!
//! The driver replays the log into the scratch, so that the tree is the newest one and the drive stays as it is. It is asked for
//! names and for the places of contents, never for contents: those lie where it says, on the drive itself, since a log of XFS holds
//! no contents of files. From there on an item is like that of any other volume, and no mount is needed.
//! Facts: "XFS Algorithms & Data Structures" (the published documentation of the format); the kernel's documentation of FIEMAP.
//!
//! Invariant: nothing missing looks whole. A folder or file that the driver refuses, a stretch whose place it does not tell or that
//! cannot be its own: each is a mark on the items concerned or an open point. What would have to change with any writing to the
//! volume (superblocks, the heads of allocation groups, the whole log) is read once through the sectors, so that whoever reads it
//! again sees the writing.

mod blocks;
mod places;
mod superblock;
mod survey;
mod walk;

pub use superblock::Superblock;
pub use survey::survey;
