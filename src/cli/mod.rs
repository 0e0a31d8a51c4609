//! The face: arguments, text, JSON, progress, questions.

pub mod args;
pub mod ask;
pub mod engine;
pub mod envelope;
pub mod look;
pub mod page;
pub mod phrase;
pub mod progress;
pub mod schema;
pub mod shown;
pub mod text;
