//! The whole face against an engine of canned values.
