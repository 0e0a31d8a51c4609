//! The steps of a job, one file each.

pub mod event;
pub mod outcome;
pub mod request;
