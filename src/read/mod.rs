//! Content: a layout and sectors, or a handle, become bytes and gaps.
