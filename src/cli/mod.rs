//! The face: arguments, text, JSON, progress, questions.

pub mod args;
pub mod look;
pub mod page;
pub mod phrase;
pub mod shown;
