//! Fuzzes the look whether a copy is what its name claims. The first byte chooses the name.
#![no_main]

use holdpoint::survey::genuine::{Look, doubt};

const NAMES: [&str; 12] = [
    "a.jpg", "a.png", "a.pdf", "a.zip", "a.docx", "a.mp4", "a.heic", "a.sqlite", "a.mp3", "a.gz",
    "a.pst", "a.xml",
];

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let [name, content @ ..] = data else {
        return;
    };
    let mut read = |at: u64, buf: &mut [u8]| {
        let at = usize::try_from(at).unwrap_or(usize::MAX);
        let part = content.get(at..).unwrap_or_default();
        let count = part.len().min(buf.len());
        buf[..count].copy_from_slice(&part[..count]);
        Ok(count)
    };
    let mut block = vec![0u8; 64 << 10];
    let mut look = Look::new(content.len() as u64, &mut read, &mut block);
    let _ = doubt(NAMES[usize::from(*name) % NAMES.len()], false, &mut look);
});
