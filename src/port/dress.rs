//! What items wear besides their content, and what of it could not be given back.

/// What an item did not take on of what it wore, each with the reason.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Lacking {
    /// Extended attributes that people's programs wrote: content of its own.
    pub attributes: Vec<String>,
    /// Mode, owner, times, access lists, attributes of the system.
    pub marks: Vec<String>,
}

/// What an item wears besides its content.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Dress {
    /// Permission bits; 0 = leave.
    pub mode: u32,
    /// Owner and group; `None` = leave.
    pub owner: Option<(u32, u32)>,
    /// Last written, nanoseconds since 1970.
    pub modified_ns: i64,
    /// Extended attributes.
    pub attributes: Vec<(Vec<u8>, Vec<u8>)>,
}
