//! Content: a layout and sectors, or a handle, become bytes and gaps.

pub mod content;
