//! What the program does, seen from outside its modules.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr
)]

mod guard;
mod hand_bench;
mod linux;
mod put_back;
