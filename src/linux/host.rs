//! The machine that copies: its memory, kernel and name.
//!
//! Invariant: what the system does not tell is `None`, never zero.

use sysinfo::{MemoryRefreshKind, Product, RefreshKind, System};

/// This machine, as far as it tells.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Host {
    /// Bytes of main memory.
    pub memory_bytes: Option<u64>,
    /// Bytes of it that programs can still have.
    pub available_bytes: Option<u64>,
    /// Name on the network.
    pub name: Option<String>,
    /// Kernel release.
    pub kernel: Option<String>,
    /// The system's own name and version.
    pub system: Option<String>,
    /// Maker and product, by the firmware.
    pub machine: Option<String>,
    /// Serial, by the firmware; only root is told.
    pub serial: Option<String>,
    /// Identity of the installed system (machine-id(5)); a live system has a new one at each start.
    pub id: Option<String>,
}

impl Host {
    /// Looks now.
    pub fn look() -> Self {
        let memory = System::new_with_specifics(
            RefreshKind::nothing().with_memory(MemoryRefreshKind::nothing().with_ram()),
        )
        .ok();
        let vendor = Product::vendor_name().ok().and_then(told);
        let product = Product::name().ok().and_then(told);
        Self {
            memory_bytes: memory.as_ref().and_then(|m| some(m.total_memory())),
            available_bytes: memory.as_ref().and_then(|m| some(m.available_memory())),
            name: System::host_name().ok().and_then(told),
            kernel: System::kernel_version().ok().and_then(told),
            system: System::long_os_version().ok().and_then(told),
            machine: match (vendor, product) {
                (Some(vendor), Some(product)) => Some(format!("{vendor} {product}")),
                (one, other) => one.or(other),
            },
            serial: Product::serial_number().ok().and_then(told),
            id: std::fs::read_to_string("/etc/machine-id")
                .ok()
                .and_then(told)
                .filter(|id| id != "uninitialized"),
        }
    }
}

/// Zero is how a missing number comes (without /proc, say).
fn some(bytes: u64) -> Option<u64> {
    (bytes != 0).then_some(bytes)
}

fn told(text: String) -> Option<String> {
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

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

    #[test]
    fn memory_is_what_the_kernel_says() {
        // proc(5): MemTotal in units of 1024 bytes.
        let text = std::fs::read_to_string("/proc/meminfo").unwrap();
        let total: u64 = text
            .lines()
            .find_map(|line| line.strip_prefix("MemTotal:"))
            .and_then(|rest| rest.trim().strip_suffix(" kB"))
            .and_then(|number| number.trim().parse().ok())
            .unwrap();
        assert_eq!(Host::look().memory_bytes, Some(total * 1024));
        assert_eq!(some(0), None);
        assert_eq!(told("  \n".into()), None);
    }
}
