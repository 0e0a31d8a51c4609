//! Tables, signatures and file systems against the tools that make them.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr
)]

mod btrfs;
mod drive;
mod exfat;
mod ext;
mod fat;
pub mod kernel;
mod map;
mod signature;
pub mod tool;
