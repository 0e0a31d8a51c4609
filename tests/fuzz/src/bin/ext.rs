//! Fuzzes the survey of an ext volume: superblock, descriptors, journal, inodes, folders.
#![no_main]

use holdpoint::read::content::ContentReader;
use holdpoint::volume::ext;
use holdpoint::volume::ntfs::InMemory;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut layouts = Vec::new();
    let survey = ext::survey_bytes(data, &mut |found| layouts.extend(found.layout));
    std::hint::black_box(survey.is_ok());
    let volume = InMemory {
        bytes: data,
        sector_bytes: 512,
    };
    // A few contents, as far as they go at once.
    for layout in layouts.into_iter().take(16) {
        let mut buf = vec![0u8; 64 << 10];
        let _ = ContentReader::new(layout, &volume).read(0, &mut buf);
    }
});
