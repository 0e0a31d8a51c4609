//! What a drive says about its own health: one decoder per command set, the neutral
//! findings gathered from them, and the signals made of the findings.
//!
//! Invariant: bytes in, values out. Every decoder takes any bytes without panicking; an
//! absent, refused, damaged or blank page yields no value at all, so it can never look
//! like good news.

pub mod ata_attribute;
pub mod ata_error_log;
pub mod ata_identify;
pub mod ata_self_test;
pub mod ata_smart;
pub mod ata_statistics;
pub mod changes;
pub mod field;
pub mod findings;
pub mod mmc;
pub mod nvme_history;
pub mod nvme_identify;
pub mod nvme_log;
pub mod page;
pub mod pages;
pub mod scsi_inquiry;
pub mod scsi_log;
pub mod self_tests;
pub mod sense;
pub mod signals;
pub mod who;
