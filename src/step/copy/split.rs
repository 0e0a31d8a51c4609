//! A large file over threads: one reads, one makes the SHA-256, one makes the BLAKE3 and writes.
//!
//! SHA-256 is the slowest part of the pipeline (about a quarter of BLAKE3's pace), so it gets
//! a thread for itself; four parts may wait before each thread.

use super::buffers::{Buffers, PART};
use super::carry::{PAGE, Patience, Streamed, read_part, take_missing};
use crate::port::{Block, Content, Fault, FaultKind};
use crate::value::{Blake3, Sha256};
use sha2::Digest;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel, sync_channel};

const WAITING: usize = 4;
const BLOCKS: usize = 8;

struct Part {
    at: u64,
    bytes: usize,
    block: Block,
}

/// Streams `content` through both digests and `write`. Call only after [`Buffers::may_split`] said yes.
pub fn stream(
    content: &dyn Content,
    bytes: u64,
    write: &mut (dyn FnMut(u64, &[u8]) + Send),
    buffers: &Buffers<'_>,
) -> Result<Streamed, Fault> {
    let outcome = pipeline(content, bytes, write, buffers);
    buffers.split_over();
    outcome
}

fn pipeline(
    content: &dyn Content,
    bytes: u64,
    write: &mut (dyn FnMut(u64, &[u8]) + Send),
    buffers: &Buffers<'_>,
) -> Result<Streamed, Fault> {
    std::thread::scope(|scope| {
        let (to_sha, for_sha) = sync_channel::<Arc<Part>>(WAITING);
        let (to_writer, for_writer) = sync_channel::<Arc<Part>>(WAITING);
        let (give_back, given_back) = channel::<Arc<Part>>();
        let sha_back = give_back.clone();
        let sha = scope.spawn(move || {
            let mut hasher = sha2::Sha256::new();
            for part in for_sha {
                hasher.update(&part.block[..part.bytes]);
                // The reader may be gone already; then the block just goes.
                let _ = sha_back.send(part);
            }
            Sha256(hasher.finalize().into())
        });
        let writer = scope.spawn(move || {
            let mut hasher = blake3::Hasher::new();
            for part in for_writer {
                hasher.update(&part.block[..part.bytes]);
                write(part.at, &part.block[..part.bytes.next_multiple_of(PAGE)]);
                let _ = give_back.send(part);
            }
            Blake3(*hasher.finalize().as_bytes())
        });
        let read = read_all(content, bytes, buffers, &given_back, &mut |part| {
            let part = Arc::new(part);
            to_sha.send(Arc::clone(&part)).is_ok() && to_writer.send(part).is_ok()
        });
        drop((to_sha, to_writer));
        let broken = || {
            Fault::new(
                FaultKind::Other,
                "hashing a large file",
                "a thread of the pipeline ended early",
            )
        };
        let sha256 = sha.join().map_err(|_| broken())?;
        let blake3 = writer.join().map_err(|_| broken())?;
        for part in given_back.try_iter() {
            if let Ok(part) = Arc::try_unwrap(part) {
                buffers.give(part.block);
            }
        }
        let (at, missing, fault) = read?;
        Ok((at, missing, fault, (blake3, sha256)))
    })
}

type ReadAll = Result<(u64, Vec<(u64, u64)>, Option<Fault>), Fault>;

fn read_all(
    content: &dyn Content,
    bytes: u64,
    buffers: &Buffers<'_>,
    given_back: &Receiver<Arc<Part>>,
    send: &mut dyn FnMut(Part) -> bool,
) -> ReadAll {
    let (mut missing, mut fault) = (Vec::new(), None);
    let mut made = 0;
    let mut patience = Patience::default();
    let mut at = 0u64;
    while at < bytes {
        buffers.go_on(at)?;
        let mut block = next_block(buffers, given_back, &mut made)?;
        let want = usize::try_from(bytes - at).unwrap_or(PART).min(PART);
        let got = read_part(content, at, want, true, &mut block, &mut patience)?;
        let count = got.bytes;
        if count == 0 {
            buffers.give(block);
            break;
        }
        block[count..count.next_multiple_of(PAGE)].fill(0);
        take_missing(&mut missing, &mut fault, got.missing, got.fault);
        if !send(Part {
            at,
            bytes: count,
            block,
        }) {
            return Err(Fault::new(
                FaultKind::Other,
                "handing a part on",
                "a thread of the pipeline ended early",
            ));
        }
        at += count as u64;
    }
    Ok((at, missing, fault))
}

/// A block that both threads have finished with, or a new one while there are fewer than the limit.
fn next_block(
    buffers: &Buffers<'_>,
    given_back: &Receiver<Arc<Part>>,
    made: &mut usize,
) -> Result<Block, Fault> {
    if *made < BLOCKS {
        *made += 1;
        return Ok(buffers.take());
    }
    loop {
        let part = given_back.recv().map_err(|_| {
            Fault::new(
                FaultKind::Other,
                "waiting for a free buffer",
                "a thread of the pipeline ended early",
            )
        })?;
        // The first of the two threads still leaves the other's share; the second one frees the block.
        if let Ok(part) = Arc::try_unwrap(part) {
            return Ok(part.block);
        }
    }
}
