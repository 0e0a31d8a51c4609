//! A desk for one ext volume: the library that reads it is bound to one thread, so that thread
//! answers everybody's requests, one after the other.
//!
//! Invariant: a request gets its own answer; when the thread is gone, every request is a fault.

use crate::port::{Content, Fault, FaultKind, Sectors, Stamp};
use crate::volume::ext::{ExtFile, ExtVolume};
use crate::volume::filesystem::{Limits, Place};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};

struct Request {
    parts: Arc<Vec<Vec<u8>>>,
    /// `None` = only the length is asked for.
    read: Option<(u64, usize)>,
    answer: Sender<Result<(u64, Vec<u8>), Fault>>,
}

/// The desk.
pub struct ExtDesk {
    queue: Mutex<Sender<Request>>,
}

impl ExtDesk {
    /// Opens the volume on a thread of its own. A volume that cannot be opened answers every request with why.
    pub fn open(sectors: Arc<dyn Sectors>, place: Place) -> Arc<Self> {
        let (queue, requests) = channel();
        std::thread::spawn(move || serve(sectors, place, &requests));
        Arc::new(Self {
            queue: Mutex::new(queue),
        })
    }

    fn ask(
        &self,
        parts: &Arc<Vec<Vec<u8>>>,
        read: Option<(u64, usize)>,
    ) -> Result<(u64, Vec<u8>), Fault> {
        let gone = || {
            Fault::new(
                FaultKind::Other,
                "reading an ext volume",
                "its reader has ended",
            )
        };
        let (answer, answers) = channel();
        let request = Request {
            parts: Arc::clone(parts),
            read,
            answer,
        };
        self.queue
            .lock()
            .map_err(|_| gone())?
            .send(request)
            .map_err(|_| gone())?;
        answers.recv().map_err(|_| gone())?
    }

    /// A file's content.
    pub fn file(
        self: &Arc<Self>,
        parts: Vec<Vec<u8>>,
        stamp: Stamp,
    ) -> Result<Box<dyn Content>, Fault> {
        let parts = Arc::new(parts);
        let (bytes, _) = self.ask(&parts, None)?;
        Ok(Box::new(ExtContent {
            desk: Arc::clone(self),
            parts,
            stamp: Stamp { bytes, ..stamp },
        }))
    }
}

fn serve(sectors: Arc<dyn Sectors>, place: Place, requests: &Receiver<Request>) {
    let volume = ExtVolume::open(sectors, place, Limits::default());
    let mut last: Option<(Arc<Vec<Vec<u8>>>, ExtFile)> = None;
    for request in requests {
        let outcome = match &volume {
            Err(why) => Err(Fault::new(
                FaultKind::Other,
                "opening the ext volume",
                why.to_string(),
            )),
            Ok(volume) => answer(volume, &mut last, &request),
        };
        // Whoever asked may be gone; the next one is not.
        let _ = request.answer.send(outcome);
    }
}

fn answer(
    volume: &ExtVolume,
    last: &mut Option<(Arc<Vec<Vec<u8>>>, ExtFile)>,
    request: &Request,
) -> Result<(u64, Vec<u8>), Fault> {
    if last
        .as_ref()
        .is_none_or(|(parts, _)| *parts != request.parts)
    {
        *last = Some((Arc::clone(&request.parts), volume.file(&request.parts)?));
    }
    let Some((_, file)) = last else {
        return Err(Fault::new(
            FaultKind::Other,
            "reading an ext volume",
            "the file was not kept open",
        ));
    };
    let mut buf = Vec::new();
    if let Some((at, bytes)) = request.read {
        buf.resize(bytes, 0);
        let count = file.read_at(at, &mut buf)?;
        buf.truncate(count);
    }
    Ok((file.bytes(), buf))
}

struct ExtContent {
    desk: Arc<ExtDesk>,
    parts: Arc<Vec<Vec<u8>>>,
    stamp: Stamp,
}

impl Content for ExtContent {
    fn stamp(&self) -> Result<Stamp, Fault> {
        Ok(self.stamp)
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let (_, bytes) = self.desk.ask(&self.parts, Some((at, buf.len())))?;
        let count = bytes.len().min(buf.len());
        buf[..count].copy_from_slice(&bytes[..count]);
        Ok(count)
    }

    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        // The library does not show holes; they are read as zeros.
        Ok((at < self.stamp.bytes).then(|| (at, self.stamp.bytes - at)))
    }
}
