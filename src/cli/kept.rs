//! Which store a run uses.

use crate::store::Store;
use std::env;
use std::fs::File;
use std::io;
use std::path::PathBuf;

/// Names the folder; empty: nothing is kept.
const OWN: &str = "PLATEWRIGHT_CACHE";

/// The user's store, or none where there is no folder for it.
pub(super) fn users() -> Store {
    let asked = |name: &str| env::var_os(name).map(PathBuf::from);
    let place = place(asked(OWN), asked("XDG_CACHE_HOME"), asked("HOME"));
    match (place, program()) {
        (Some(place), Ok(program)) => Store::open(&place, &program),
        _ => Store::none(),
    }
}

/// The running program, even if its file was replaced since it started.
fn program() -> io::Result<File> {
    File::open("/proc/self/exe").or_else(|_| File::open(env::current_exe()?))
}

/// The XDG Base Directory Specification 0.8: a relative or empty cache folder counts as unset.
fn place(own: Option<PathBuf>, xdg: Option<PathBuf>, home: Option<PathBuf>) -> Option<PathBuf> {
    if let Some(own) = own {
        return (!own.as_os_str().is_empty()).then_some(own);
    }
    let absolute = |path: Option<PathBuf>| path.filter(|path| path.is_absolute());
    absolute(xdg)
        .or_else(|| absolute(home).map(|home| home.join(".cache")))
        .map(|caches| caches.join("platewright"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_store_lies_where_caches_lie() {
        let at = |own: Option<&str>, xdg: Option<&str>, home: Option<&str>| {
            let path = |path: &str| PathBuf::from(path);
            place(own.map(path), xdg.map(path), home.map(path))
                .map(|place| place.display().to_string())
        };
        let is = |path: &str| Some(path.to_owned());
        assert_eq!(
            at(None, None, Some("/mine")),
            is("/mine/.cache/platewright")
        );
        assert_eq!(at(None, Some("/c"), Some("/mine")), is("/c/platewright"));
        assert_eq!(
            at(None, Some("c"), Some("/mine")),
            is("/mine/.cache/platewright")
        );
        assert_eq!(at(None, Some(""), None), None);
        assert_eq!(at(None, None, None), None);
        assert_eq!(at(None, None, Some("mine")), None);
        assert_eq!(at(Some("here"), Some("/c"), Some("/mine")), is("here"));
        assert_eq!(at(Some(""), Some("/c"), Some("/mine")), None);
    }
}
