//! The real world: files, devices, mounts, memory, clock. Everything that the ports promise,
//! done with the kernel of the machine that copies.
//!
//! Invariant: a source is opened for reading only, by descriptors and never through links; the
//! commands that can be sent to a drive form a closed list of reading ones; `unsafe` stands only
//! here, one function per system call that has no safe wrapper.

mod above;
pub mod bench;
mod beneath;
pub mod block;
pub mod clock;
pub mod command;
pub mod destination;
pub mod disks;
mod drives;
mod facts;
pub mod fault;
pub mod grip;
pub mod host;
mod ioctl;
mod mapper;
pub mod memory;
pub mod mountinfo;
pub mod nesting;
pub mod nvme;
pub mod open_file;
mod parents;
pub mod recipient;
pub mod replies;
pub mod scsi;
mod sense;
mod sg;
pub mod topology;
pub mod transport;
pub mod tree;
pub mod watchdog;
mod writing;

pub use bench::MachineBench;
pub use block::DriveSectors;
pub use clock::MachineClock;
pub use destination::FolderDestination;
pub use grip::DriveGrip;
pub use host::Host;
pub use memory::MachineMemory;
pub use recipient::FolderRecipient;
pub use replies::RecordedReplies;
pub use topology::System;
pub use transport::choose_transport;
pub use tree::FolderTree;
pub use watchdog::{WatchedSectors, WatchedTransport};
