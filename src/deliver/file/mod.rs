//! Files of the output folder: written beside their final name and renamed when whole.
//!
//! Promise: nothing is written outside the folder, no link inside it is followed (each part of a name is opened from
//! its parent's handle), a file that fails or is given up leaves the previous one as it was. Permissions are what the
//! user's umask says. The folder itself may be reached through links and is made if missing; so are folders inside it.
//! Refused: names that leave the folder, and finals that are a link, a folder or a device.

use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use rustix::fs::{AtFlags, CWD, FileType, Mode, OFlags};
use rustix::io::Errno;

mod fault;

use fault::io_fault;
pub use fault::{FileFault, Kind, NameFault};

/// The longest name of an output and of one of its parts, in bytes: what Linux takes.
const NAME_LIMIT: usize = 4095;
const PART_LIMIT: usize = 255;

/// An open output folder.
#[derive(Debug)]
pub struct OutputFolder {
    handle: OwnedFd,
    path: PathBuf,
}

/// Which file a name leads to: two names of the same file are equal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Identity {
    device: u64,
    inode: u64,
}

/// A file being written under a temporary name. Dropped before [`Pending::commit`], it leaves no trace.
#[derive(Debug)]
pub struct Pending {
    file: BufWriter<File>,
    folder: OwnedFd,
    temporary: String,
    name: String,
    path: PathBuf,
    committed: bool,
}

impl OutputFolder {
    /// Opens the folder at `path`, and makes it and its parents if missing.
    pub fn open(path: &Path) -> Result<OutputFolder, FileFault> {
        let path = if path.as_os_str().is_empty() {
            Path::new(".")
        } else {
            path
        };
        let fault = |act| move |error: io::Error| io_fault(act, path, error);
        fs::create_dir_all(path).map_err(fault("make the output folder"))?;
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let handle = rustix::fs::openat(CWD, path, flags, Mode::empty())
            .map_err(|error| fault("open the output folder")(error.into()))?;
        Ok(OutputFolder {
            handle,
            path: path.to_path_buf(),
        })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Begins the file `name` (`/` between parts), whose folders are made as needed.
    pub fn create(&self, name: &str) -> Result<Pending, FileFault> {
        let (folders, last) = parts(name)?;
        let mut place = Place::at(self)?;
        for part in folders {
            place.enter(part, Missing::Make)?;
        }
        let path = place.path.join(last);
        if let Some(kind) =
            kind_of(place.handle.as_fd(), last, &path)?.filter(|kind| *kind != Kind::File)
        {
            return Err(FileFault::NotAFile { path, kind });
        }
        let (file, temporary) = temporary(place.handle.as_fd(), &path)?;
        Ok(Pending {
            file: BufWriter::with_capacity(1 << 16, file),
            folder: place.handle,
            temporary,
            name: last.to_string(),
            path,
            committed: false,
        })
    }

    /// Which file `name` is now; `None` when there is none yet. Makes nothing and follows no link.
    pub fn identity(&self, name: &str) -> Result<Option<Identity>, FileFault> {
        let (folders, last) = parts(name)?;
        let mut place = Place::at(self)?;
        for part in folders {
            if !place.enter(part, Missing::Leave)? {
                return Ok(None);
            }
        }
        match rustix::fs::statat(&place.handle, last, AtFlags::SYMLINK_NOFOLLOW) {
            Ok(stat) => Ok(Some(Identity {
                device: stat.st_dev,
                inode: stat.st_ino,
            })),
            Err(Errno::NOENT) => Ok(None),
            Err(error) => Err(io_fault("look at", &place.path.join(last), error.into())),
        }
    }
}

impl Identity {
    /// Which file an input is; links are followed, as reading does.
    pub fn of(path: &Path) -> io::Result<Identity> {
        let metadata = fs::metadata(path)?;
        Ok(Identity {
            device: metadata.dev(),
            inode: metadata.ino(),
        })
    }
}

impl Pending {
    /// Where the file will stand.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Gives the file these permissions (the low bits of a mode) instead of the umask's.
    pub fn set_mode(&mut self, mode: u32) -> Result<(), FileFault> {
        let mode = Mode::from_raw_mode(mode & 0o7777);
        rustix::fs::fchmod(self.file.get_ref(), mode)
            .map_err(|error| io_fault("set the permissions of", &self.path, error.into()))
    }

    /// Brings all that was written to the disk, still under the temporary name.
    pub fn settled(&mut self) -> Result<(), FileFault> {
        self.file
            .flush()
            .and_then(|()| self.file.get_ref().sync_all())
            .map_err(|error| io_fault("write", &self.path, error))
    }

    /// Brings the file to the disk and gives it its final name, in place of a previous file of that name.
    pub fn commit(mut self) -> Result<(), FileFault> {
        self.settled()?;
        let folder = self.folder.as_fd();
        // Renaming replaces a link instead of following it; this only says why it won't.
        if let Some(kind) =
            kind_of(folder, &self.name, &self.path)?.filter(|kind| *kind != Kind::File)
        {
            let path = self.path.clone();
            return Err(FileFault::NotAFile { path, kind });
        }
        rustix::fs::renameat(folder, &self.temporary, folder, &self.name)
            .map_err(|error| io_fault("rename the finished file to", &self.path, error.into()))?;
        // From here on the file stands. Some file systems can't sync a folder, which is no fault of the file's.
        let _ = rustix::fs::fsync(folder);
        self.committed = true;
        Ok(())
    }
}

impl Write for Pending {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Seek for Pending {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

impl Drop for Pending {
    fn drop(&mut self) {
        if !self.committed {
            let _ = rustix::fs::unlinkat(&self.folder, &self.temporary, AtFlags::empty());
        }
    }
}

/// A folder on the way to an output.
struct Place {
    handle: OwnedFd,
    path: PathBuf,
}

/// What to do about a folder that is not there.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Missing {
    Make,
    Leave,
}

impl Place {
    fn at(folder: &OutputFolder) -> Result<Place, FileFault> {
        let handle = folder.handle.try_clone();
        Ok(Place {
            handle: handle.map_err(|error| io_fault("open", &folder.path, error))?,
            path: folder.path.clone(),
        })
    }

    /// Steps into the folder `part`; false when it is missing and stays so.
    fn enter(&mut self, part: &str, missing: Missing) -> Result<bool, FileFault> {
        let path = self.path.join(part);
        if missing == Missing::Make {
            match rustix::fs::mkdirat(&self.handle, part, Mode::from_raw_mode(0o777)) {
                Ok(()) | Err(Errno::EXIST) => {}
                Err(error) => return Err(io_fault("make the folder", &path, error.into())),
            }
        }
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        match rustix::fs::openat(&self.handle, part, flags, Mode::empty()) {
            Ok(handle) => {
                *self = Place { handle, path };
                Ok(true)
            }
            Err(Errno::NOENT) if missing == Missing::Leave => Ok(false),
            Err(error) => match kind_of(self.handle.as_fd(), part, &path)? {
                Some(kind) if kind != Kind::Folder => Err(FileFault::NotAFolder { path, kind }),
                _ => Err(io_fault("open the folder", &path, error.into())),
            },
        }
    }
}

/// A new file in `folder` under a name of its own, which begins with a dot. Its bytes never depend on that name.
fn temporary(folder: BorrowedFd<'_>, path: &Path) -> Result<(File, String), FileFault> {
    static COUNTER: AtomicU64 = AtomicU64::new(0);
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    loop {
        let count = COUNTER.fetch_add(1, Ordering::Relaxed);
        let name = format!(".platewright-{}-{count}.part", std::process::id());
        match rustix::fs::openat(folder, &name, flags, Mode::from_raw_mode(0o666)) {
            Ok(handle) => return Ok((File::from(handle), name)),
            // Left over from a run that was killed and had the same number.
            Err(Errno::EXIST) => continue,
            Err(error) => return Err(io_fault("write beside", path, error.into())),
        }
    }
}

/// What `name` is in `folder`, without following a link; `None` when it is not there.
fn kind_of(folder: BorrowedFd<'_>, name: &str, path: &Path) -> Result<Option<Kind>, FileFault> {
    match rustix::fs::statat(folder, name, AtFlags::SYMLINK_NOFOLLOW) {
        Ok(stat) => Ok(Some(match FileType::from_raw_mode(stat.st_mode) {
            FileType::RegularFile => Kind::File,
            FileType::Directory => Kind::Folder,
            FileType::Symlink => Kind::Link,
            FileType::CharacterDevice | FileType::BlockDevice => Kind::Device,
            FileType::Fifo => Kind::Pipe,
            FileType::Socket => Kind::Socket,
            _ => Kind::Other,
        })),
        Err(Errno::NOENT) => Ok(None),
        Err(error) => Err(io_fault("look at", path, error.into())),
    }
}

/// The folders of a name and its last part.
fn parts(name: &str) -> Result<(Vec<&str>, &str), FileFault> {
    let refused = |fault| {
        let name = name.chars().take(200).collect();
        Err(FileFault::Name { name, fault })
    };
    let too_long = |bytes, limit| refused(NameFault::Long { bytes, limit });
    if name.is_empty() {
        return refused(NameFault::Empty);
    }
    if name.len() > NAME_LIMIT {
        return too_long(name.len(), NAME_LIMIT);
    }
    if let Some(control) = name.chars().find(|c| c.is_control()) {
        return refused(NameFault::Control(control));
    }
    if name.starts_with('/') {
        return refused(NameFault::Absolute);
    }
    if name.ends_with('/') {
        return refused(NameFault::Folder);
    }
    let mut parts: Vec<&str> = name.split('/').collect();
    for part in &parts {
        match *part {
            "" => return refused(NameFault::EmptyPart),
            "." | ".." => return refused(NameFault::Dots),
            part if part.len() > PART_LIMIT => return too_long(part.len(), PART_LIMIT),
            _ => {}
        }
    }
    let last = parts.pop().unwrap_or(name);
    Ok((parts, last))
}

#[cfg(test)]
mod tests;
