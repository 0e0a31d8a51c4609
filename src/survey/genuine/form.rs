//! Forms of files: which one a name claims, and which one the first bytes show.
//!
//! The beginnings are the published ones; each is named at its form. "From memory" marks the few
//! without a public standard.

/// A form that a file's bytes can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Form {
    /// ITU-T T.81, annex B: FF D8 FF.
    Jpeg,
    /// ISO/IEC 15948, 5.2.
    Png,
    /// GIF89a specification, 17.
    Gif,
    /// TIFF 6.0, section 2; BigTIFF and cameras' own versions of it from memory.
    Tiff,
    /// RIFF with WEBP (RFC 9649, 2.4).
    Webp,
    /// "BM" (Windows BITMAPFILEHEADER).
    Bmp,
    /// "8BPS", from memory.
    LayeredPicture,
    /// ISO/IEC 14496-12, 4.2: boxes of size and type (films, sound, HEIF pictures by ISO/IEC 23008-12).
    Boxes,
    /// RIFF with AVI, from memory.
    Avi,
    /// RIFF or RF64 with WAVE (EBU Tech 3306).
    Wave,
    /// EBML header, RFC 8794, 11.2.1.
    Matroska,
    /// Advanced Systems Format specification, 10.1.
    Asf,
    /// RFC 3533, 6.
    Ogg,
    /// RFC 9639, 6.
    Flac,
    /// ISO/IEC 11172-3, 2.4.1.3, or an ID3v2 tag (id3.org, 3.1) before it.
    Mp3,
    /// ISO 32000-1, 7.5.2 and annex H.
    Pdf,
    /// APPNOTE.TXT, 4.3; also the office packages made of it (ISO/IEC 29500-2, ISO/IEC 26300).
    Zip,
    /// [MS-CFB] 2.2: old office files, single messages, and encrypted new ones ([MS-OFFCRYPTO]).
    Compound,
    /// "{\rtf", Rich Text Format 1.9.1.
    RichText,
    /// The published note on the RAR 5.0 format; older ones from memory.
    Rar,
    /// 7zFormat.txt.
    SevenZip,
    /// RFC 1952, 2.3.1.
    Gzip,
    /// The .xz file format, 2.1.1.1.
    Xz,
    /// "BZh", from memory.
    Bzip2,
    /// RFC 8878, 3.1.1 and 3.1.2.
    Zstd,
    /// sqlite.org/fileformat2.html, 1.3.
    Sqlite,
    /// [MS-PST] 2.2.2.6.
    MailStore,
    /// Characters to be read by people.
    Text,
}

/// What things of a form are used as.
const PICTURE: u8 = 1;
const MOVING: u8 = 2;
const DOCUMENT: u8 = 4;
const PACKED: u8 = 8;

impl Form {
    /// The form in words.
    pub fn words(self) -> &'static str {
        match self {
            Form::Jpeg => "a JPEG picture",
            Form::Png => "a PNG picture",
            Form::Gif => "a GIF picture",
            Form::Tiff => "a TIFF picture or a camera's raw picture",
            Form::Webp => "a WebP picture",
            Form::Bmp => "a bitmap picture",
            Form::LayeredPicture => "a picture with layers",
            Form::Boxes => "a film, sound or HEIF picture",
            Form::Avi => "an AVI film",
            Form::Wave => "a WAVE sound",
            Form::Matroska => "a Matroska film",
            Form::Asf => "a film or sound in Advanced Systems Format",
            Form::Ogg => "an Ogg sound or film",
            Form::Flac => "a FLAC sound",
            Form::Mp3 => "an MP3 sound",
            Form::Pdf => "a PDF document",
            Form::Zip => "a ZIP package",
            Form::Compound => "an office file or message of the older kind",
            Form::RichText => "a rich text",
            Form::Rar => "a RAR archive",
            Form::SevenZip => "a 7z archive",
            Form::Gzip => "a gzip archive",
            Form::Xz => "an xz archive",
            Form::Bzip2 => "a bzip2 archive",
            Form::Zstd => "a Zstandard archive",
            Form::Sqlite => "an SQLite database",
            Form::MailStore => "a mail store",
            Form::Text => "a text",
        }
    }

    fn uses(self) -> u8 {
        match self {
            Form::Jpeg
            | Form::Png
            | Form::Gif
            | Form::Tiff
            | Form::Webp
            | Form::Bmp
            | Form::LayeredPicture => PICTURE,
            // Old cameras and phones put films under picture names and the other way round only by mistake.
            Form::Boxes => PICTURE | MOVING,
            Form::Avi
            | Form::Wave
            | Form::Matroska
            | Form::Asf
            | Form::Ogg
            | Form::Flac
            | Form::Mp3 => MOVING,
            Form::Pdf | Form::Compound | Form::RichText => DOCUMENT,
            Form::Zip => DOCUMENT | PACKED,
            Form::Rar | Form::SevenZip | Form::Gzip | Form::Xz | Form::Bzip2 | Form::Zstd => PACKED,
            Form::Sqlite | Form::MailStore | Form::Text => 0,
        }
    }

    /// Whether programs that open the one open the other too, whatever the name says.
    pub fn serves_as(self, other: Form) -> bool {
        self == other || self.uses() & other.uses() != 0
    }

    /// Whether files of that name come in so many forms that an unknown beginning says nothing.
    pub fn is_loose(self) -> bool {
        matches!(
            self,
            Form::Compound | Form::RichText | Form::Text | Form::Mp3 | Form::Bmp
        )
    }
}

/// Files that bear another file's name behind a mark of their own: the second half of a file from a Mac
/// (`._`), and what an office program leaves beside an open document (`~$`); both from memory.
pub fn is_companion(name: &str) -> bool {
    name.starts_with("._") || name.starts_with("~$")
}

/// The form that a name claims; `None` = none that is checked here.
pub fn claimed(name: &str) -> Option<Form> {
    let (base, ending) = name.rsplit_once('.')?;
    if base.is_empty() || ending.len() > 8 || is_companion(name) {
        return None;
    }
    Some(match ending.to_ascii_lowercase().as_str() {
        "jpg" | "jpeg" | "jpe" | "jfif" => Form::Jpeg,
        "png" | "apng" => Form::Png,
        "gif" => Form::Gif,
        "tif" | "tiff" | "dng" | "cr2" | "nef" | "nrw" | "arw" | "sr2" | "pef" | "srw" | "orf"
        | "rw2" => Form::Tiff,
        "webp" => Form::Webp,
        "bmp" => Form::Bmp,
        "psd" | "psb" => Form::LayeredPicture,
        "heic" | "heif" | "avif" | "mp4" | "m4v" | "m4a" | "m4b" | "mov" | "3gp" | "cr3" => {
            Form::Boxes
        }
        "avi" => Form::Avi,
        "wav" => Form::Wave,
        "mkv" | "webm" | "mka" => Form::Matroska,
        "wmv" | "wma" | "asf" => Form::Asf,
        "ogg" | "oga" | "ogv" | "opus" => Form::Ogg,
        "flac" => Form::Flac,
        "mp3" => Form::Mp3,
        "pdf" => Form::Pdf,
        "zip" | "jar" | "kmz" | "epub" | "docx" | "docm" | "dotx" | "dotm" | "xlsx" | "xlsm"
        | "xlsb" | "xltx" | "pptx" | "pptm" | "ppsx" | "potx" | "odt" | "ods" | "odp" | "odg"
        | "ott" | "ots" | "otp" | "vsdx" | "3mf" => Form::Zip,
        "doc" | "dot" | "xls" | "xlt" | "ppt" | "pps" | "msg" | "vsd" | "mpp" => Form::Compound,
        "rtf" => Form::RichText,
        "rar" => Form::Rar,
        "7z" => Form::SevenZip,
        "gz" | "tgz" => Form::Gzip,
        "xz" | "txz" => Form::Xz,
        "bz2" | "tbz" => Form::Bzip2,
        "zst" => Form::Zstd,
        "sqlite" | "sqlite3" | "db3" | "lrcat" => Form::Sqlite,
        "pst" | "ost" => Form::MailStore,
        "txt" | "csv" | "md" | "htm" | "html" | "xml" | "json" | "tex" | "eml" | "vcf" | "ics"
        | "svg" => Form::Text,
        _ => return None,
    })
}

/// The form that the first bytes show (the more the better, 4096 are enough); `None` = none that is known here.
pub fn shown(head: &[u8]) -> Option<Form> {
    let starts = |bytes: &[u8]| head.starts_with(bytes);
    let has = |at: usize, bytes: &[u8]| head.get(at..at + bytes.len()) == Some(bytes);
    if starts(&[0xff, 0xd8, 0xff]) {
        return Some(Form::Jpeg);
    }
    if starts(b"\x89PNG\r\n\x1a\n") {
        return Some(Form::Png);
    }
    if starts(b"GIF87a") || starts(b"GIF89a") {
        return Some(Form::Gif);
    }
    if [
        &b"II*\0"[..],
        b"MM\0*",
        b"II+\0",
        b"MM\0+",
        b"IIRO",
        b"IIRS",
        b"MMOR",
        b"IIU\0",
    ]
    .iter()
    .any(|mark| starts(mark))
    {
        return Some(Form::Tiff);
    }
    if starts(b"RIFF") || starts(b"RF64") || starts(b"RIFX") {
        return match head.get(8..12) {
            Some(b"WEBP") => Some(Form::Webp),
            Some(b"AVI ") => Some(Form::Avi),
            Some(b"WAVE") => Some(Form::Wave),
            _ => None,
        };
    }
    if let Some(kind) = head.get(4..8)
        && [
            &b"ftyp"[..],
            b"moov",
            b"mdat",
            b"wide",
            b"free",
            b"skip",
            b"pnot",
            b"styp",
        ]
        .contains(&kind)
    {
        return Some(Form::Boxes);
    }
    let simple: [(&[u8], Form); 20] = [
        (b"8BPS", Form::LayeredPicture),
        (&[0x1a, 0x45, 0xdf, 0xa3], Form::Matroska),
        (&[0x30, 0x26, 0xb2, 0x75, 0x8e, 0x66, 0xcf, 0x11], Form::Asf),
        (b"OggS", Form::Ogg),
        (b"fLaC", Form::Flac),
        (b"ID3", Form::Mp3),
        (b"PK\x03\x04", Form::Zip),
        (b"PK\x05\x06", Form::Zip),
        (b"PK\x07\x08", Form::Zip),
        (
            &[0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1, 0x1a, 0xe1],
            Form::Compound,
        ),
        (b"{\\rtf", Form::RichText),
        (b"Rar!\x1a\x07", Form::Rar),
        (&[0x37, 0x7a, 0xbc, 0xaf, 0x27, 0x1c], Form::SevenZip),
        (&[0x1f, 0x8b], Form::Gzip),
        (&[0xfd, 0x37, 0x7a, 0x58, 0x5a, 0x00], Form::Xz),
        (b"BZh", Form::Bzip2),
        (&[0x28, 0xb5, 0x2f, 0xfd], Form::Zstd),
        (b"SQLite format 3\0", Form::Sqlite),
        (b"!BDN", Form::MailStore),
        (b"BM", Form::Bmp),
    ];
    if let Some((_, form)) = simple.iter().find(|(mark, _)| starts(mark)) {
        return Some(*form);
    }
    // ISO 32000-1, annex H.3.4.1: the header may stand anywhere in the first 1024 bytes.
    let first = head.get(..head.len().min(1024)).unwrap_or_default();
    if first.windows(5).any(|five| five == b"%PDF-") {
        return Some(Form::Pdf);
    }
    // Skippable Zstandard frames: 0x184D2A50 to 0x184D2A5F.
    if has(1, &[0x2a, 0x4d, 0x18]) && head.first().is_some_and(|byte| byte & 0xf0 == 0x50) {
        return Some(Form::Zstd);
    }
    // Eleven set bits begin a frame of MPEG audio; layer 0 is reserved.
    if head.first() == Some(&0xff)
        && head
            .get(1)
            .is_some_and(|byte| byte & 0xe0 == 0xe0 && byte & 0x06 != 0)
        && !has(1, &[0xfe])
        && !has(1, &[0xff])
    {
        return Some(Form::Mp3);
    }
    is_text(head).then_some(Form::Text)
}

/// Characters as UTF-8 or an older 8-bit code, or UTF-16 with its mark, and none that no text has.
fn is_text(head: &[u8]) -> bool {
    if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
        return true;
    }
    let above = head.iter().filter(|byte| **byte >= 0x80).count();
    // A character may be cut by the end of what was read.
    let is_utf8 = match std::str::from_utf8(head) {
        Ok(_) => true,
        Err(e) => e.error_len().is_none(),
    };
    // In an 8-bit code of Western languages most characters are still ASCII; noise is half above it.
    !head.is_empty()
        && (is_utf8 || above < head.len() / 3)
        && !head
            .iter()
            .any(|byte| *byte < 0x20 && !matches!(byte, 0x07..=0x0d | 0x1a | 0x1b))
}
