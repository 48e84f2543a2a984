//! Frames made byte by byte, read back, and broken on purpose.

mod build;
mod hostile;
mod jpeg;
mod meaning;
mod oracle;
mod png;
mod rectangles;

use super::{Frame, FrameError, Samples};
use crate::budget::Account;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// A file of the tests' own, removed when dropped.
struct Scratch(PathBuf);

impl Scratch {
    fn path() -> Scratch {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("platewright-frame-{}-{count}", std::process::id());
        Scratch(std::env::temp_dir().join(name))
    }

    fn new(bytes: &[u8]) -> Scratch {
        let scratch = Scratch::path();
        std::fs::write(&scratch.0, bytes).unwrap();
        scratch
    }

    fn open(&self) -> Result<Frame, FrameError> {
        Frame::open(&self.0, &Account::unlimited())
    }
}

impl AsRef<Path> for Scratch {
    fn as_ref(&self) -> &Path {
        &self.0
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

fn opened(bytes: &[u8]) -> Frame {
    Scratch::new(bytes).open().unwrap()
}

fn refused(bytes: &[u8]) -> String {
    Scratch::new(bytes).open().unwrap_err().to_string()
}

fn whole(frame: &Frame) -> Result<Samples, FrameError> {
    frame.samples(frame.rect(), &Account::unlimited())
}

/// Opens and reads everything, inside a limit; whatever happens, the account must be empty afterwards.
fn read_within(bytes: &[u8], limit: u64) -> Result<Vec<u8>, FrameError> {
    let file = Scratch::new(bytes);
    let account = Account::new(limit);
    let result = Frame::open(file.as_ref(), &account).and_then(|frame| {
        let samples = frame.samples(frame.rect(), &account)?;
        Ok(match &samples.buffer {
            super::super::SampleBuffer::U8(codes) => codes.clone(),
            other => format!("{other:?}").into_bytes(),
        })
    });
    assert_eq!(account.used(), 0);
    result
}
