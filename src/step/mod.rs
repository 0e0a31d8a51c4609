//! The steps of a job, one file each.
