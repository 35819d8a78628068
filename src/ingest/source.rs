//! A file as a stream of UTF-8 text in blocks of whole lines.
//!
//! Comes in: a path. Goes out: blocks of text that end at a line end, their digest, and the digest of the raw bytes,
//! in one pass. Unpacks `.gz` and `.zst`, decodes UTF-16 and Windows-1252, bounds the ratio of unpacked to packed bytes
//! and never holds an overlong line. Never: knows columns.

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::{Path, PathBuf};
use std::rc::Rc;

use super::profile::Encoding;
use super::{IngestError, Limits, Resume};

/// Bytes looked at to tell the encoding and binary files.
const PROBE_BYTES: usize = 64 << 10;

/// Free room below which a read is not worth it; a decoder needs at least this for one character.
const ROOM_MIN: usize = 64;

/// Bytes kept of a line that is too long.
const OVERLONG_KEPT: usize = 1024;

/// A file as it lies on disk: its size and the digest of its bytes.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fingerprint {
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3, hexadecimal.
    pub blake3: String,
}

/// Size and digest of a file, without reading anything into it.
///
/// # Errors
/// If the file cannot be read.
pub fn fingerprint(path: &Path) -> Result<Fingerprint, IngestError> {
    let mut file = open_regular(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0u8; 256 << 10];
    let mut bytes = 0;
    loop {
        match file.read(&mut buffer) {
            Ok(0) => {
                return Ok(Fingerprint { bytes, blake3: hex(&hasher) });
            }
            Ok(n) => {
                hasher.update(&buffer[..n]);
                bytes += n as u64;
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(source) => {
                return Err(IngestError::Unreadable { path: path.to_path_buf(), source });
            }
        }
    }
}

/// Opens a regular file; pipes and devices are refused before they can block.
pub(super) fn open_regular(path: &Path) -> Result<File, IngestError> {
    let unreadable = |source| IngestError::Unreadable { path: path.to_path_buf(), source };
    let meta = std::fs::metadata(path).map_err(unreadable)?;
    if !meta.is_file() {
        return Err(IngestError::NotAFile { path: path.to_path_buf() });
    }
    File::open(path).map_err(unreadable)
}

fn hex(hasher: &blake3::Hasher) -> String {
    hasher.finalize().to_hex().to_string()
}

/// Counts and, where asked, digests the bytes that pass.
#[derive(Debug, Default)]
struct Tally {
    bytes: u64,
    hasher: Option<blake3::Hasher>,
}

struct Tallied<R> {
    inner: R,
    tally: Rc<RefCell<Tally>>,
}

impl<R: Read> Read for Tallied<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buffer)?;
        let mut tally = self.tally.borrow_mut();
        tally.bytes += n as u64;
        if let Some(hasher) = &mut tally.hasher {
            hasher.update(&buffer[..n]);
        }
        Ok(n)
    }
}

/// Whole lines of text.
pub(super) enum Block<'a> {
    /// Lines that each end in a line feed.
    Lines(&'a [u8]),
    /// The last line, without a line feed; call [`Text::accept_tail`] if it is usable.
    Tail(&'a [u8]),
    /// A line that is too long to be held; its first bytes.
    Overlong(&'a [u8]),
}

/// The text of one file.
pub(super) struct Text {
    path: PathBuf,
    reader: Box<dyn Read>,
    tally: Rc<RefCell<Tally>>,
    packed: bool,
    limits: Limits,
    decoder: Option<encoding_rs::Decoder>,
    /// Bytes read and not yet decoded; only used with a decoder.
    undecoded: Vec<u8>,
    /// The decoder has given its last text.
    decoded: bool,
    unpacked: u64,
    buffer: Vec<u8>,
    filled: usize,
    consumed: usize,
    buffer_max: usize,
    ended: bool,
    tail_given: usize,
    overlong: Vec<u8>,
    digest: blake3::Hasher,
    digested: u64,
    /// The raw bytes are the text, so one digest serves both.
    raw_is_text: bool,
}

impl Text {
    /// Opens a file, tells its encoding from its first bytes, and refuses binary and empty ones.
    pub(super) fn open(
        path: &Path,
        encoding: Encoding,
        limits: &Limits,
    ) -> Result<Text, IngestError> {
        let file = open_regular(path)?;
        let size = file.metadata().map_or(0, |m| m.len());
        let tally = Rc::new(RefCell::new(Tally { bytes: 0, hasher: Some(blake3::Hasher::new()) }));
        let raw = Tallied { inner: file, tally: Rc::clone(&tally) };
        let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        let unreadable = |source| IngestError::Unreadable { path: path.to_path_buf(), source };
        let (reader, packed): (Box<dyn Read>, bool) = match extension.as_deref() {
            Some("gz") => (
                Box::new(flate2::bufread::MultiGzDecoder::new(BufReader::with_capacity(
                    64 << 10,
                    raw,
                ))),
                true,
            ),
            Some("zst") => {
                let mut decoder = zstd::stream::read::Decoder::new(raw).map_err(unreadable)?;
                decoder.window_log_max(27).map_err(unreadable)?; // at most 128 MiB of history
                (Box::new(decoder), true)
            }
            _ => (Box::new(raw), false),
        };
        let buffer_max = limits.chunk_bytes.max(2 * limits.line_bytes_max).max(PROBE_BYTES);
        let first = if packed {
            PROBE_BYTES
        } else {
            usize::try_from(size).unwrap_or(buffer_max).clamp(PROBE_BYTES, buffer_max)
                + 2 * ROOM_MIN
        };
        let mut text = Text {
            path: path.to_path_buf(),
            reader,
            tally,
            packed,
            limits: limits.clone(),
            decoder: None,
            undecoded: Vec::new(),
            decoded: false,
            unpacked: 0,
            buffer: vec![0; first],
            filled: 0,
            consumed: 0,
            buffer_max,
            ended: false,
            tail_given: 0,
            overlong: Vec::new(),
            digest: blake3::Hasher::new(),
            digested: 0,
            raw_is_text: false,
        };
        text.probe(encoding)?;
        Ok(text)
    }

    /// Reads the first bytes and settles the encoding.
    fn probe(&mut self, encoding: Encoding) -> Result<(), IngestError> {
        let mut probe = std::mem::take(&mut self.buffer);
        let wanted = probe.len().min(PROBE_BYTES);
        let mut len = 0;
        while len < wanted {
            match self.read_unpacked(&mut probe[len..wanted])? {
                0 => {
                    self.ended = true;
                    break;
                }
                n => len += n,
            }
        }
        if len == 0 {
            return Err(IngestError::Empty { path: self.path.clone() });
        }
        let (decoder, bom) = decoder_for(encoding, &probe[..len]);
        match decoder {
            None => {
                if let Some(offset) = memchr::memchr(0, &probe[..len]) {
                    return Err(IngestError::Binary {
                        path: self.path.clone(),
                        offset: offset as u64,
                    });
                }
                self.buffer = probe;
                self.filled = len;
                self.consumed = bom;
                if !self.packed && bom == 0 {
                    self.raw_is_text = true;
                    self.tally.borrow_mut().hasher = None;
                }
            }
            Some(decoder) => {
                self.decoder = Some(decoder);
                self.undecoded = probe[bom..len].to_vec();
                self.buffer = probe;
                self.ended = false; // the decoder must still be told the end
            }
        }
        Ok(())
    }

    /// One read of unpacked bytes, with the packed size watched.
    fn read_unpacked(&mut self, into: &mut [u8]) -> Result<usize, IngestError> {
        let n = loop {
            match self.reader.read(into) {
                Ok(n) => break n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(self.read_error(e)),
            }
        };
        self.unpacked += n as u64;
        let packed = self.tally.borrow().bytes;
        if self.packed
            && self.unpacked > self.limits.unpacked_free_bytes
            && self.unpacked / self.limits.unpacked_ratio_max.max(1) > packed
        {
            return Err(IngestError::UnpackRatio {
                path: self.path.clone(),
                packed,
                unpacked: self.unpacked,
                ratio_max: self.limits.unpacked_ratio_max,
            });
        }
        Ok(n)
    }

    fn read_error(&self, error: io::Error) -> IngestError {
        let path = self.path.clone();
        match error.kind() {
            io::ErrorKind::UnexpectedEof if self.packed => {
                IngestError::Truncated { path, unpacked: self.unpacked }
            }
            io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput | io::ErrorKind::Other
                if self.packed =>
            {
                IngestError::BadArchive { path, message: error.to_string() }
            }
            _ => IngestError::Unreadable { path, source: error },
        }
    }

    /// The next block, or `None` at the end.
    pub(super) fn next(&mut self) -> Result<Option<Block<'_>>, IngestError> {
        // What is left of the last block moves to the front.
        self.buffer.copy_within(self.consumed..self.filled, 0);
        self.filled -= self.consumed;
        self.consumed = 0;
        self.fill()?;
        if let Some(end) = memchr::memrchr(b'\n', &self.buffer[..self.filled]) {
            self.count(end + 1);
            self.consumed = end + 1;
            return Ok(Some(Block::Lines(&self.buffer[..=end])));
        }
        if self.filled == 0 {
            return Ok(None);
        }
        if !self.ended || self.filled > self.limits.line_bytes_max {
            return self.skip_line().map(Some);
        }
        self.tail_given = self.filled;
        self.consumed = self.filled;
        // What the decoder makes of half a character is not what the file will have there.
        if self.decoder.is_some() && self.buffer[..self.filled].ends_with("\u{fffd}".as_bytes()) {
            return Ok(None);
        }
        Ok(Some(Block::Tail(&self.buffer[..self.filled])))
    }

    /// Whether nothing is left to be read.
    pub(super) fn is_at_end(&self) -> bool {
        self.ended && self.consumed == self.filled
    }

    /// Counts the tail that was just given as read.
    pub(super) fn accept_tail(&mut self) {
        let bytes = std::mem::take(&mut self.tail_given);
        self.count(bytes);
    }

    fn count(&mut self, bytes: usize) {
        self.digest.update(&self.buffer[..bytes]);
        self.digested += bytes as u64;
    }

    /// Fills the buffer to its end, or to the end of the file; grows it up to the set size.
    fn fill(&mut self) -> Result<(), IngestError> {
        while !self.ended {
            if self.buffer.len() - self.filled < ROOM_MIN {
                if self.buffer.len() >= self.buffer_max {
                    return Ok(());
                }
                let grown = (self.buffer.len() * 2).min(self.buffer_max);
                self.buffer.resize(grown, 0);
                continue;
            }
            let mut buffer = std::mem::take(&mut self.buffer);
            let room = &mut buffer[self.filled..];
            let n = if self.decoder.is_some() {
                self.read_decoded(room)
            } else {
                self.read_unpacked(room)
            };
            self.buffer = buffer;
            match n? {
                0 => self.ended = true,
                n => self.filled += n,
            }
        }
        Ok(())
    }

    /// One read of decoded bytes, zero only at the end; malformed input becomes U+FFFD.
    fn read_decoded(&mut self, into: &mut [u8]) -> Result<usize, IngestError> {
        if self.decoded {
            return Ok(0);
        }
        loop {
            let mut at_end = false;
            if self.undecoded.is_empty() {
                let mut bytes = std::mem::take(&mut self.undecoded);
                bytes.resize(PROBE_BYTES, 0);
                let n = self.read_unpacked(&mut bytes)?;
                bytes.truncate(n);
                self.undecoded = bytes;
                at_end = n == 0;
            }
            let Some(decoder) = &mut self.decoder else {
                return Ok(0);
            };
            let (result, read, written, _) = decoder.decode_to_utf8(&self.undecoded, into, at_end);
            self.undecoded.drain(..read);
            // A decoder that was told the end and has given everything must not be asked again.
            self.decoded = at_end && result == encoding_rs::CoderResult::InputEmpty;
            if written > 0 || at_end {
                return Ok(written);
            }
        }
    }

    /// Passes over a line that is too long; keeps only its start.
    fn skip_line(&mut self) -> Result<Block<'_>, IngestError> {
        self.overlong.clear();
        self.overlong.extend_from_slice(&self.buffer[..OVERLONG_KEPT.min(self.filled)]);
        self.count(self.filled);
        loop {
            self.filled = 0;
            self.fill()?;
            let end = memchr::memchr(b'\n', &self.buffer[..self.filled]);
            let used = end.map_or(self.filled, |e| e + 1);
            self.count(used);
            if end.is_some() || self.ended {
                self.consumed = used;
                return Ok(Block::Overlong(&self.overlong));
            }
        }
    }

    /// Bytes of text that count as read, and their digest.
    pub(super) fn digest(&self) -> (u64, String) {
        (self.digested, hex(&self.digest))
    }

    /// Size and digest of the file on disk; only right at the end.
    pub(super) fn fingerprint(&self) -> Fingerprint {
        let tally = self.tally.borrow();
        let blake3 = match (&tally.hasher, self.raw_is_text) {
            (Some(raw), _) => hex(raw),
            (None, _) => {
                let mut whole = self.digest.clone();
                whole.update(&self.buffer[..self.tail_given]);
                hex(&whole)
            }
        };
        Fingerprint { bytes: tally.bytes, blake3 }
    }
}

/// The decoder that the first bytes call for, if they are not UTF-8 already, and the length of the byte-order mark.
fn decoder_for(encoding: Encoding, first: &[u8]) -> (Option<encoding_rs::Decoder>, usize) {
    let with = |encoding: &'static encoding_rs::Encoding, bom| {
        (Some(encoding.new_decoder_without_bom_handling()), bom)
    };
    let bom = encoding_rs::Encoding::for_bom(first);
    let bom_len = bom.map_or(0, |(_, len)| len);
    match encoding {
        Encoding::Utf8 => (None, if bom_len == 3 { 3 } else { 0 }),
        Encoding::Utf16Le => with(encoding_rs::UTF_16LE, bom_len),
        Encoding::Utf16Be => with(encoding_rs::UTF_16BE, bom_len),
        Encoding::Windows1252 => with(encoding_rs::WINDOWS_1252, 0),
        Encoding::Auto => match (bom, first) {
            (Some((found, _)), _) if found == encoding_rs::UTF_8 => (None, 3),
            (Some((found, _)), _) => with(found, bom_len),
            // A log starts with ASCII text: in UTF-16 every other byte of it is zero.
            (None, [a, 0, b, 0, ..]) if *a != 0 && *b != 0 => with(encoding_rs::UTF_16LE, 0),
            (None, [0, a, 0, b, ..]) if *a != 0 && *b != 0 => with(encoding_rs::UTF_16BE, 0),
            (None, _) if first.contains(&0) || is_utf8(first) => (None, 0),
            (None, _) => with(encoding_rs::WINDOWS_1252, 0),
        },
    }
}

fn is_utf8(first: &[u8]) -> bool {
    match std::str::from_utf8(first) {
        Ok(_) => true,
        // A character cut off at the end is no fault: the probe ends there, or the file is still being written.
        Err(error) => error.error_len().is_none(),
    }
}

/// Whether the text of `path` begins with what an earlier run has read.
pub(super) fn begins_with(
    path: &Path,
    encoding: Encoding,
    limits: &Limits,
    known: &Resume,
) -> Result<bool, IngestError> {
    let mut text = Text::open(path, encoding, limits)?;
    let mut left = known.decoded_bytes;
    let mut hasher = blake3::Hasher::new();
    loop {
        text.fill()?;
        let from = text.consumed;
        let take = (text.filled - from).min(usize::try_from(left).unwrap_or(usize::MAX));
        hasher.update(&text.buffer[from..from + take]);
        left -= take as u64;
        if left == 0 {
            return Ok(hex(&hasher) == known.decoded_digest);
        }
        if text.ended {
            return Ok(false);
        }
        (text.filled, text.consumed) = (0, 0);
    }
}
