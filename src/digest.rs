//! Stable keys: BLAKE3 of bytes, and of values written down so that no two sequences of them read alike.
//!
//! BLAKE3 in its pure Rust form: no C is built, every CPU gives the same digest, and its tree lets several threads
//! share one large file. A digest is the truth about bytes; names, dates and places are not.

use std::fmt;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;

/// Bytes of a file read at a time.
const CHUNK: usize = 4 << 20;

/// 256 bits that stand for bytes.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    pub fn of(bytes: &[u8]) -> Digest {
        let mut hasher = blake3::Hasher::new();
        hasher.update_rayon(bytes);
        Digest(*hasher.finalize().as_bytes())
    }

    /// Of the first `length` bytes of a file; fewer are an error. Nothing of it stays in memory.
    pub fn of_file(file: &File, length: u64) -> io::Result<Digest> {
        let mut hasher = blake3::Hasher::new();
        let mut chunk = vec![0; CHUNK.min(length as usize)];
        let mut at = 0;
        while at < length {
            let count = (length - at).min(CHUNK as u64) as usize;
            file.read_exact_at(&mut chunk[..count], at)?;
            hasher.update_rayon(&chunk[..count]);
            at += count as u64;
        }
        Ok(Digest(*hasher.finalize().as_bytes()))
    }

    /// 64 characters.
    pub fn hex(&self) -> String {
        self.0.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

/// A key in the making: values in a fixed order, each with its length before it.
#[derive(Debug)]
pub struct Keying(blake3::Hasher);

impl Keying {
    /// `what` says what the key is of, so that keys of different things never meet.
    pub fn of(what: &str) -> Keying {
        Keying(blake3::Hasher::new()).bytes(what.as_bytes())
    }

    pub fn bytes(mut self, bytes: &[u8]) -> Keying {
        self.0.update(&(bytes.len() as u64).to_le_bytes());
        self.0.update(bytes);
        self
    }

    pub fn digest(self, digest: &Digest) -> Keying {
        self.bytes(&digest.0)
    }

    pub fn count(self, count: u64) -> Keying {
        self.bytes(&count.to_le_bytes())
    }

    /// Numbers by their bits: 0 and -0 are two.
    pub fn numbers(mut self, numbers: &[f64]) -> Keying {
        self = self.count(numbers.len() as u64);
        for number in numbers {
            self.0.update(&number.to_bits().to_le_bytes());
        }
        self
    }

    pub fn done(self) -> Digest {
        Digest(*self.0.finalize().as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_those_of_the_published_test_vectors() {
        // BLAKE3 team, test_vectors.json: input bytes count 0, 1, 2 ... 250, 0, 1 ...; lengths 0, 1 and 102400.
        let input = |length: usize| -> Vec<u8> { (0..length).map(|k| (k % 251) as u8).collect() };
        for (length, starts) in [
            (0, "af1349b9f5f9a1a6a0404dea36dcc949"),
            (1, "2d3adedff11b61f14c886e35afa03673"),
            (102_400, "bc3e3d41a1146b069abffad3c0d44860"),
        ] {
            assert_eq!(Digest::of(&input(length)).hex()[..32], *starts, "{length}");
        }
    }

    #[test]
    fn values_do_not_run_into_one_another() {
        let key = |words: &[&str]| {
            let all = words.iter();
            all.fold(Keying::of("words"), |key, word| key.bytes(word.as_bytes()))
                .done()
        };
        assert_ne!(key(&["nib", "s"]), key(&["nibs"]));
        assert_ne!(key(&["nib", "s"]), key(&["ni", "bs"]));
        assert_ne!(key(&["nib"]), key(&["nib", ""]));
        assert_ne!(Keying::of("a").done(), Keying::of("b").done());
        let numbers = |n: &[f64]| Keying::of("numbers").numbers(n).done();
        assert_ne!(numbers(&[1.0, 2.0]), numbers(&[2.0, 1.0]));
    }
}
