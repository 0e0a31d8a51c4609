//! Recorded replies: a folder with one file for each reply that a drive once sent.
//!
//! Invariant: an absent file is *not reported*; anything else that keeps a recording from being
//! read is *could not be read*.

use super::fault::io_fault;
use crate::drive::question::{Question, Reply};
use crate::port::{Fault, FaultKind, Transport};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

/// Longer than any page.
const LONGEST: u64 = 4 << 20;

/// A folder of recorded replies.
#[derive(Debug, Clone)]
pub struct RecordedReplies {
    folder: PathBuf,
}

impl RecordedReplies {
    /// Looks that the folder is there.
    ///
    /// # Errors
    /// When it is not, because a mistyped path must not look like a drive that reports nothing.
    pub fn open(folder: &Path) -> Result<Self, Fault> {
        let doing = || format!("opening the recorded replies in '{}'", folder.display());
        let seen = std::fs::metadata(folder).map_err(|e| io_fault(doing(), &e))?;
        if !seen.is_dir() {
            return Err(Fault::new(FaultKind::Other, doing(), "expected a folder"));
        }
        Ok(Self {
            folder: folder.to_owned(),
        })
    }

    /// The file of that name, or one whose hexadecimal digits are written as capitals.
    fn at(&self, name: &str) -> PathBuf {
        let exact = self.folder.join(name);
        if std::fs::symlink_metadata(&exact).is_ok() {
            return exact;
        }
        let other = std::fs::read_dir(&self.folder).ok().and_then(|entries| {
            entries
                .filter_map(Result::ok)
                .map(|entry| entry.file_name())
                .find(|found| {
                    found.to_str().is_some_and(|found| {
                        found.eq_ignore_ascii_case(name)
                            && (Question::from_file_name(found).is_some()
                                || found.ends_with(".error"))
                    })
                })
        });
        other.map_or(exact, |found| self.folder.join(found))
    }

    fn read(&self, name: &str) -> Result<Option<Vec<u8>>, String> {
        let path = self.at(name);
        // Anything but a file (a fifo, say) could keep us waiting.
        let seen = match std::fs::metadata(&path) {
            Ok(seen) => seen,
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(io_fault(format!("reading '{name}'"), &e).to_string()),
        };
        if !seen.is_file() || seen.len() > LONGEST {
            return Err(format!(
                "reading '{name}': expected a file of at most {LONGEST} bytes"
            ));
        }
        let mut bytes = Vec::new();
        std::fs::File::open(&path)
            .and_then(|file| file.take(LONGEST).read_to_end(&mut bytes))
            .map_err(|e| io_fault(format!("reading '{name}'"), &e).to_string())?;
        Ok(Some(bytes))
    }
}

impl Transport for RecordedReplies {
    fn ask(&mut self, question: Question) -> Reply {
        let name = question.file_name();
        // The error may stand beside the file's whole name or its stem.
        let stem = name.strip_suffix(".bin").unwrap_or(&name);
        for error in [format!("{name}.error"), format!("{stem}.error")] {
            match self.read(&error) {
                Ok(None) => {}
                Ok(Some(text)) => {
                    let why = String::from_utf8_lossy(&text).trim().to_owned();
                    return Reply::Unread(match why.is_empty() {
                        true => "no reason was recorded".to_owned(),
                        false => why,
                    });
                }
                Err(why) => return Reply::Unread(why),
            }
        }
        match self.read(&name) {
            Ok(Some(bytes)) => Reply::Bytes(bytes),
            Ok(None) => Reply::NotReported,
            Err(why) => Reply::Unread(why),
        }
    }

    fn says(&self) -> String {
        "recorded replies".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn present_absent_and_unreadable_are_three_things() {
        let scratch = tempfile::tempdir().unwrap();
        let at = |name: &str| scratch.path().join(name);
        std::fs::write(at("ata-identify.bin"), [1, 2, 3]).unwrap();
        std::fs::write(at("ata-smart-data.bin.error"), "sense 05/24/00\n").unwrap();
        std::fs::write(at("nvme-log-02.error"), "EIO\n").unwrap();
        std::fs::write(at("nvme-log-06.error"), "").unwrap();
        std::fs::write(at("nvme-log-02.bin"), [0; 512]).unwrap();
        std::fs::write(at("mmc-life-time"), "0x01 0x02\n").unwrap();
        std::fs::create_dir(at("ata-log-06.bin")).unwrap();
        let mut replies = RecordedReplies::open(scratch.path()).unwrap();
        assert_eq!(
            replies.ask(Question::AtaIdentify),
            Reply::Bytes(vec![1, 2, 3])
        );
        assert_eq!(
            replies.ask(Question::AtaSmartData),
            Reply::Unread("sense 05/24/00".into())
        );
        // Both there: the failure counts, since it is the less favourable.
        assert_eq!(
            replies.ask(Question::NvmeLog(2)),
            Reply::Unread("EIO".into())
        );
        assert_eq!(
            replies.ask(Question::NvmeLog(6)),
            Reply::Unread("no reason was recorded".into())
        );
        assert_eq!(
            replies.ask(Question::MmcLifeTime),
            Reply::Bytes(b"0x01 0x02\n".to_vec())
        );
        assert_eq!(replies.ask(Question::ScsiInquiry), Reply::NotReported);
        // Capitals in the digits, as other programs write them.
        std::fs::write(at("scsi-log-2F.bin"), [9]).unwrap();
        std::fs::write(at("scsi-log-0D.error"), "EIO").unwrap();
        assert_eq!(replies.ask(Question::ScsiLog(0x2f)), Reply::Bytes(vec![9]));
        assert_eq!(
            replies.ask(Question::ScsiLog(0x0d)),
            Reply::Unread("EIO".into())
        );
        assert!(matches!(replies.ask(Question::AtaLog(6)), Reply::Unread(_)));
        assert!(RecordedReplies::open(&at("none")).is_err());
        assert!(RecordedReplies::open(&at("ata-identify.bin")).is_err());
    }
}
