//! What one run leaves for the next: bytes under keys, in a folder of the user's own.
//!
//! An entry is `KIND/ab/cdef...`, named by its key; its header says how long it is and what its bytes digest to. It is
//! written beside its name and renamed, so that several processes at once never see half of one. An entry that is
//! damaged, cut short or somebody else's is as good as none. Promise: nothing here ever fails a run (a folder that
//! can't be made, read or written keeps nothing), no link below the folder is followed, and the folder stays below
//! [`MOST`] bytes: what was not used for longest goes first.

mod entry;
mod folder;
mod source;
mod sweep;

pub use source::Source;

use crate::budget::{Account, Charge};
use crate::digest::{Digest, Keying};
use folder::Folder;
use std::fs::File;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Bytes kept at most: some hundred large cut-outs.
pub const MOST: u64 = 8 << 30;

/// Where digests of files are remembered.
const FILES: &str = "files";

/// A store, or the lack of one.
#[derive(Debug)]
pub struct Store(Option<Open>);

#[derive(Debug)]
struct Open {
    folder: Folder,
    /// Digest of the running program: what another build computed is not used.
    program: Digest,
    most: u64,
    books: Mutex<Books>,
}

/// What this process knows about the folder's size.
#[derive(Debug, Default)]
struct Books {
    /// `None` before the first look, in bytes.
    held: Option<u64>,
    /// Writing failed once: it is not tried again.
    full: bool,
}

/// What an entry holds; its memory is given back when dropped.
#[derive(Debug)]
pub struct Kept {
    pub bytes: Vec<u8>,
    _charge: Charge,
}

impl Store {
    /// Keeps nothing.
    pub fn none() -> Store {
        Store(None)
    }

    /// The store in the folder `place`, made if missing, for what `program` computes. Keeps nothing where the folder
    /// is a link, another user's, or one that others can write into.
    pub fn open(place: &Path, program: &File) -> Store {
        Store::bounded(place, program, MOST)
    }

    fn bounded(place: &Path, program: &File, most: u64) -> Store {
        let Ok(folder) = Folder::open(place) else {
            return Store::none();
        };
        let mut open = Open {
            folder,
            program: Digest([0; 32]),
            most,
            books: Mutex::default(),
        };
        match open.source(program) {
            Some(source) => open.program = source.digest,
            None => return Store::none(),
        }
        Store(Some(open))
    }

    /// Whether anything can be kept at all.
    pub fn keeps(&self) -> bool {
        self.0.is_some()
    }

    /// What is kept under a key by this same program; its bytes are charged to `account`.
    pub fn given(&self, kind: &str, key: &Digest, account: &Account) -> Option<Kept> {
        let open = self.0.as_ref()?;
        let name = open.salted(key);
        let mut file = open.folder.read(kind, &name)?;
        let length = entry::length(&mut file, &name)?;
        let charge = account.charge(length, "kept cut-outs").ok()?;
        let bytes = entry::payload(&mut file, length)?;
        folder::used(&file);
        Some(Kept {
            bytes,
            _charge: charge,
        })
    }

    /// Whether something is kept under a key, by what its first bytes say.
    pub fn holds(&self, kind: &str, key: &Digest) -> bool {
        self.0.as_ref().is_some_and(|open| {
            let name = open.salted(key);
            let file = open.folder.read(kind, &name);
            file.is_some_and(|mut file| entry::length(&mut file, &name).is_some())
        })
    }

    /// Keeps bytes under a key, in place of whatever is there.
    pub fn keep(&self, kind: &str, key: &Digest, bytes: &[u8]) {
        if let Some(open) = &self.0 {
            open.keep(kind, &open.salted(key), bytes);
        }
    }

    /// The digest of a file's bytes, remembered from earlier runs where the file is surely the same. `None` where
    /// nothing is kept, or the file can't be read or changes meanwhile.
    ///
    /// Digesting reads the whole file once, 4 MiB at a time, on all threads: for 360 MB in the page cache (a 60-megapixel
    /// frame, uncompressed) 0.2 s of processor time with AVX2; from a disk as long as the disk takes.
    pub fn source(&self, file: &File) -> Option<Source> {
        self.0.as_ref()?.source(file)
    }
}

impl Open {
    fn salted(&self, key: &Digest) -> Digest {
        Keying::of("kept by")
            .digest(&self.program)
            .digest(key)
            .done()
    }

    fn source(&self, file: &File) -> Option<Source> {
        source::known(
            file,
            |key| {
                let mut file = self.folder.read(FILES, key)?;
                let length = entry::length(&mut file, key)?;
                let bytes = (length == 32).then(|| entry::payload(&mut file, length))??;
                folder::used(&file);
                Some(Digest(bytes.try_into().ok()?))
            },
            |key, digest| self.keep(FILES, key, &digest.0),
        )
    }

    fn keep(&self, kind: &str, name: &Digest, bytes: &[u8]) {
        let header = entry::header(name, bytes);
        let mut books = self.books.lock().unwrap_or_else(PoisonError::into_inner);
        let size = sweep::size_of(bytes.len() as u64 + entry::HEADER);
        if books.full || size > self.most {
            return;
        }
        let held = books
            .held
            .unwrap_or_else(|| sweep::held(&self.folder))
            .saturating_add(size);
        // Down to seven eighths, so that the next entries need no look around.
        books.held = Some(match held > self.most {
            true => sweep::swept(&self.folder, (self.most - size).min(self.most / 8 * 7)) + size,
            false => held,
        });
        books.full = self.folder.write(kind, name, &header, bytes).is_none();
    }
}

#[cfg(test)]
mod tests;
