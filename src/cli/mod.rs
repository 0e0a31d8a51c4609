//! The face: arguments, text, JSON, progress, questions.
