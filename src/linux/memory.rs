//! Blocks for the pipeline, advised to be backed by huge pages: a direct read into such a
//! block takes about half the time of one into 4 KiB pages.
//!
//! Invariant: advice only. A block is just as good without huge pages.

use crate::port::{Block, Memory};
use rustix::mm::{Advice, madvise};

/// Memory of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct MachineMemory;

impl Memory for MachineMemory {
    fn block(&self, bytes: usize) -> Block {
        Block::new(bytes, &advise_huge)
    }
}

/// Asks the kernel to back `slice` with huge pages. A refusal changes nothing but the speed.
#[allow(unsafe_code)]
fn advise_huge(slice: &mut [u8]) {
    // SAFETY: the range is one exclusively borrowed slice, and MADV_HUGEPAGE never changes contents or mappings' validity.
    let _ = unsafe {
        madvise(
            slice.as_mut_ptr().cast(),
            slice.len(),
            Advice::LinuxHugepage,
        )
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_is_zeroed_whole_and_on_its_border() {
        for bytes in [1, 4096, Block::BORDER, 3 * Block::BORDER] {
            let mut block = MachineMemory.block(bytes);
            assert_eq!(block.len(), bytes);
            assert_eq!(block.as_ptr().addr() % Block::BORDER, 0);
            assert!(block.iter().all(|b| *b == 0));
            block.fill(7);
        }
    }

    #[test]
    fn the_advice_is_taken_for_whole_huge_pages() {
        // The kernel notes the advice on the mapping as the flag "hg" (proc(5), smaps, VmFlags).
        let block = MachineMemory.block(4 * Block::BORDER);
        let Ok(maps) = std::fs::read_to_string("/proc/self/smaps") else {
            crate::skip::skip("the_advice_is_taken_for_whole_huge_pages", "no smaps here");
            return;
        };
        if !std::path::Path::new("/sys/kernel/mm/transparent_hugepage").exists() {
            crate::skip::skip(
                "the_advice_is_taken_for_whole_huge_pages",
                "kernel without huge pages",
            );
            return;
        }
        let address = block.as_ptr().addr();
        let mut inside = false;
        let mut advised = false;
        for line in maps.lines() {
            if let Some((range, _)) = line.split_once(' ')
                && let Some((from, to)) = range.split_once('-')
                && let (Ok(from), Ok(to)) = (
                    usize::from_str_radix(from, 16),
                    usize::from_str_radix(to, 16),
                )
            {
                inside = (from..to).contains(&address);
            }
            if inside && line.starts_with("VmFlags:") {
                advised |= line.split(' ').any(|flag| flag == "hg");
            }
        }
        assert!(advised);
    }
}
