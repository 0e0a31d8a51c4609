//! The machine that copies: its memory, kernel and name.
//!
//! Invariant: what the system does not tell is `None`, never zero.

/// Major and minor version of the running kernel.
pub(super) fn kernel_version() -> Option<(u32, u32)> {
    let system = rustix::system::uname();
    parse_version(system.release().to_str().ok()?)
}

fn parse_version(release: &str) -> Option<(u32, u32)> {
    let mut parts = release.split(|c: char| !c.is_ascii_digit());
    Some((parts.next()?.parse().ok()?, parts.next()?.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn releases_are_understood() {
        assert_eq!(parse_version("6.1.0-18-amd64"), Some((6, 1)));
        assert_eq!(parse_version("5.10-rc1"), Some((5, 10)));
        assert_eq!(parse_version("odd"), None);
        assert!(kernel_version().is_some());
    }
}
