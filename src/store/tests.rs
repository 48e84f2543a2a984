use super::*;
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime};

/// A folder of this test's own, taken away at its end.
struct Bench(PathBuf);

impl Bench {
    fn new() -> Bench {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("platewright-store-{}-{count}", std::process::id());
        let path = std::env::temp_dir().join(name);
        let _ = fs::remove_dir_all(&path);
        fs::create_dir(&path).unwrap();
        fs::write(path.join("program"), b"one build").unwrap();
        Bench(path)
    }

    fn program(&self) -> File {
        File::open(self.0.join("program")).unwrap()
    }

    fn store(&self) -> Store {
        Store::open(&self.0.join("kept"), &self.program())
    }

    /// Every entry of a kind.
    fn entries(&self, kind: &str) -> Vec<PathBuf> {
        let Ok(shelves) = fs::read_dir(self.0.join("kept").join(kind)) else {
            return Vec::new();
        };
        shelves
            .flat_map(|shelf| fs::read_dir(shelf.unwrap().path()).unwrap())
            .map(|entry| entry.unwrap().path())
            .collect()
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn given(store: &Store, key: &[u8]) -> Option<Vec<u8>> {
    let account = Account::unlimited();
    let kept = store.given("nibs", &Digest::of(key), &account)?;
    assert_eq!(account.used(), kept.bytes.len() as u64);
    Some(kept.bytes)
}

fn keep(store: &Store, key: &[u8], bytes: &[u8]) {
    store.keep("nibs", &Digest::of(key), bytes);
}

#[test]
fn what_is_kept_is_given_to_the_next_run_of_the_same_program() {
    let bench = Bench::new();
    let store = bench.store();
    assert_eq!(given(&store, b"a"), None);
    keep(&store, b"a", b"steel");
    keep(&store, b"empty", b"");
    keep(&store, b"a", b"brass");
    let next = bench.store();
    assert_eq!(given(&next, b"a").as_deref(), Some(&b"brass"[..]));
    assert_eq!(given(&next, b"empty").as_deref(), Some(&b""[..]));
    assert_eq!(given(&next, b"b"), None);
    assert_eq!(bench.entries("nibs").len(), 2, "nothing unfinished is left");
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&bench.0.join("kept")), 0o700);
    assert_eq!(mode(&bench.entries("nibs")[0]), 0o600);
    fs::write(bench.0.join("program"), b"another build").unwrap();
    assert_eq!(given(&bench.store(), b"a"), None);
}

#[test]
fn a_store_that_keeps_nothing_gives_nothing() {
    let bench = Bench::new();
    let store = Store::none();
    keep(&store, b"a", b"steel");
    assert_eq!(given(&store, b"a"), None);
    assert!(store.source(&bench.program()).is_none());
}

#[test]
fn a_damaged_entry_is_none_and_is_replaced() {
    let bench = Bench::new();
    let store = bench.store();
    let whole = b"a steel nib with a slit".to_vec();
    keep(&store, b"a", &whole);
    let path = bench.entries("nibs").remove(0);
    let right = fs::read(&path).unwrap();
    // Every byte counts, and so does every cut.
    for at in 0..right.len() {
        let mut wrong = right.clone();
        wrong[at] ^= 4;
        fs::write(&path, &wrong).unwrap();
        assert_eq!(given(&store, b"a"), None, "byte {at}");
        fs::write(&path, &right[..at]).unwrap();
        assert_eq!(given(&store, b"a"), None, "cut at {at}");
    }
    fs::write(&path, [&right[..], b"more"].concat()).unwrap();
    assert_eq!(given(&store, b"a"), None);
    keep(&store, b"a", &whole);
    assert_eq!(given(&store, b"a"), Some(whole));
}

#[test]
fn an_entry_under_another_key_is_none() {
    let bench = Bench::new();
    let store = bench.store();
    keep(&store, b"a", b"steel");
    let first = bench.entries("nibs").remove(0);
    keep(&store, b"b", b"brass");
    let second = bench.entries("nibs").into_iter().find(|p| *p != first);
    fs::copy(&first, second.unwrap()).unwrap();
    assert_eq!(given(&store, b"b"), None);
}

#[test]
fn links_are_not_followed() {
    let bench = Bench::new();
    let store = bench.store();
    keep(&store, b"a", b"steel");
    let path = bench.entries("nibs").remove(0);
    let elsewhere = bench.0.join("elsewhere");
    fs::rename(&path, &elsewhere).unwrap();
    symlink(&elsewhere, &path).unwrap();
    assert_eq!(given(&store, b"a"), None);
    keep(&store, b"a", b"brass");
    assert_eq!(given(&store, b"a").as_deref(), Some(&b"brass"[..]));
    assert!(fs::read(&elsewhere).unwrap().ends_with(b"steel"));
    // A link in a folder's place: nothing is read or written behind it.
    let kind = bench.0.join("kept/nibs");
    let away = bench.0.join("away");
    fs::rename(&kind, &away).unwrap();
    symlink(&away, &kind).unwrap();
    assert_eq!(given(&store, b"a"), None);
    keep(&store, b"c", b"gold");
    assert_eq!(given(&store, b"c"), None);
    let link = bench.0.join("link");
    symlink(bench.0.join("kept"), &link).unwrap();
    assert!(!Store::open(&link, &bench.program()).keeps());
}

#[test]
fn a_folder_others_can_write_into_is_not_used() {
    let bench = Bench::new();
    let open = bench.0.join("open");
    fs::create_dir(&open).unwrap();
    fs::set_permissions(&open, fs::Permissions::from_mode(0o777)).unwrap();
    assert!(!Store::open(&open, &bench.program()).keeps());
}

#[test]
fn a_place_that_is_no_folder_keeps_nothing() {
    let bench = Bench::new();
    let file = bench.0.join("program");
    for place in [file.clone(), file.join("below"), PathBuf::new()] {
        let store = Store::open(&place, &bench.program());
        assert!(!store.keeps(), "{}", place.display());
    }
    // A file where a kind's folder should be: writing fails quietly.
    let store = bench.store();
    fs::write(bench.0.join("kept/nibs"), b"in the way").unwrap();
    keep(&store, b"a", b"steel");
    assert_eq!(given(&store, b"a"), None);
}

#[test]
fn a_refused_charge_is_no_entry() {
    let bench = Bench::new();
    let store = bench.store();
    keep(&store, b"a", &[7; 1000]);
    let key = Digest::of(b"a");
    assert!(store.given("nibs", &key, &Account::new(999)).is_none());
    assert!(store.given("nibs", &key, &Account::new(1000)).is_some());
}

#[test]
fn what_was_not_used_for_longest_goes_first() {
    let bench = Bench::new();
    let place = bench.0.join("kept");
    // Room for the digest of the program and seven entries of two blocks each.
    let store = Store::bounded(&place, &bench.program(), 16 * 4096);
    let keys: Vec<[u8; 1]> = (0..7).map(|k| [k]).collect();
    for key in &keys {
        keep(&store, key, &[key[0]; 5000]);
    }
    assert_eq!(bench.entries("nibs").len(), 7);
    for path in bench.entries("nibs") {
        let age = SystemTime::now() - Duration::from_secs(500);
        File::options()
            .write(true)
            .open(path)
            .unwrap()
            .set_modified(age)
            .unwrap();
    }
    for key in [2, 5] {
        assert!(given(&store, &keys[key]).is_some());
    }
    for key in 10..15 {
        keep(&store, &[key], &[key; 5000]);
    }
    assert!(sweep::held(&Folder::open(&place).unwrap()) <= 16 * 4096);
    for key in [2, 5, 10, 11, 12, 13, 14] {
        assert!(given(&store, &[key]).is_some(), "{key}");
    }
    keep(&store, b"huge", &[1; 20 * 4096]);
    assert_eq!(given(&store, b"huge"), None);
}

#[test]
fn a_sweep_leaves_other_files_alone() {
    let bench = Bench::new();
    let store = bench.store();
    keep(&store, b"a", b"steel");
    let shelf = bench.entries("nibs").remove(0);
    let notes = shelf.with_file_name("notes.txt");
    let dead = shelf.with_file_name(".new-1-1");
    let live = shelf.with_file_name(".new-1-2");
    for path in [&notes, &dead, &live] {
        fs::write(path, b"more").unwrap();
    }
    let old = SystemTime::now() - Duration::from_secs(7200);
    let dead_file = File::options().write(true).open(&dead).unwrap();
    dead_file.set_modified(old).unwrap();
    assert_eq!(
        sweep::swept(&Folder::open(&bench.0.join("kept")).unwrap(), 0),
        0
    );
    assert!(notes.exists() && live.exists());
    assert!(!dead.exists() && !shelf.exists());
}

/// A file whose times lie an hour back, so that they are trusted.
fn aged(path: &Path, bytes: &[u8]) -> File {
    fs::write(path, bytes).unwrap();
    File::open(path).unwrap()
}

#[test]
fn a_digest_is_that_of_the_bytes_whatever_the_times_say() {
    let bench = Bench::new();
    let store = bench.store();
    let path = bench.0.join("frame");
    let file = aged(&path, b"one");
    let first = store.source(&file).unwrap();
    assert_eq!(first.digest, Digest::of(b"one"));
    assert!(first.stands(&file));
    // The same length and the same time of change, set by hand: the inode's own time tells.
    let time = file.metadata().unwrap().modified().unwrap();
    let file = aged(&path, b"two");
    let write = File::options().write(true).open(&path).unwrap();
    write.set_modified(time).unwrap();
    assert_eq!(store.source(&file).unwrap().digest, Digest::of(b"two"));
    assert!(!first.stands(&file));
    assert!(bench.entries(FILES).is_empty(), "young files prove nothing");
}

#[test]
fn a_digest_is_remembered_for_a_file_that_rested() {
    let bench = Bench::new();
    let path = bench.0.join("frame");
    let file = aged(&path, b"one");
    let identity = |key: &Digest, asked: &std::cell::Cell<u32>| {
        asked.set(asked.get() + 1);
        let _ = key;
        Some(Digest([9; 32]))
    };
    let asked = std::cell::Cell::new(0);
    let now = source::known(
        &file,
        |key| identity(key, &asked),
        |_, _| panic!("too young"),
    );
    assert_eq!(now.unwrap().digest, Digest::of(b"one"));
    assert_eq!(asked.get(), 0, "a young file's memory is not asked");
    std::thread::sleep(Duration::from_millis(3100));
    let told = std::cell::Cell::new(0);
    let later = source::known(&file, |_| None, |_, _| told.set(told.get() + 1));
    assert_eq!(later.unwrap().digest, Digest::of(b"one"));
    assert_eq!(told.get(), 1);
    let again = source::known(&file, |key| identity(key, &asked), |_, _| {});
    assert_eq!(again.unwrap().digest, Digest([9; 32]));
}
