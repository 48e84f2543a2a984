//! One memory account, charged before every allocation that grows with a picture.
//!
//! A [`Charge`] is held by what it paid for and gives the bytes back when dropped. Promise: what the account
//! refuses is never allocated, and the refusal says how much was wanted, in use and allowed.

use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// A shared account of bytes. Cloning gives another handle on the same account.
#[derive(Clone, Debug)]
pub struct Account(Arc<Books>);

#[derive(Debug)]
struct Books {
    limit: u64,
    used: AtomicU64,
    peak: AtomicU64,
}

/// What a refused charge wanted. Sizes in bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OverBudget {
    pub what: &'static str,
    pub wanted: u64,
    pub used: u64,
    pub limit: u64,
}

impl Account {
    pub fn new(limit: u64) -> Account {
        Account(Arc::new(Books {
            limit,
            used: AtomicU64::new(0),
            peak: AtomicU64::new(0),
        }))
    }

    /// An account without a limit, for tests and tools.
    pub fn unlimited() -> Account {
        Account::new(u64::MAX)
    }

    /// Reserves `bytes` for `what` (a plural noun for the message: "decoded rows").
    pub fn charge(&self, bytes: u64, what: &'static str) -> Result<Charge, OverBudget> {
        let books = &self.0;
        let mut used = books.used.load(Ordering::Relaxed);
        loop {
            let wanted = used.saturating_add(bytes);
            if wanted > books.limit {
                return Err(OverBudget {
                    what,
                    wanted: bytes,
                    used,
                    limit: books.limit,
                });
            }
            match books.used.compare_exchange_weak(
                used,
                wanted,
                Ordering::Relaxed,
                Ordering::Relaxed,
            ) {
                Ok(_) => {
                    books.peak.fetch_max(wanted, Ordering::Relaxed);
                    return Ok(Charge {
                        account: self.clone(),
                        bytes,
                    });
                }
                Err(now) => used = now,
            }
        }
    }

    pub fn limit(&self) -> u64 {
        self.0.limit
    }

    pub fn used(&self) -> u64 {
        self.0.used.load(Ordering::Relaxed)
    }

    /// The most that was in use at one time.
    pub fn peak(&self) -> u64 {
        self.0.peak.load(Ordering::Relaxed)
    }
}

/// Bytes in use; given back on drop.
#[derive(Debug)]
pub struct Charge {
    account: Account,
    bytes: u64,
}

impl Charge {
    pub fn bytes(&self) -> u64 {
        self.bytes
    }
}

impl Drop for Charge {
    fn drop(&mut self) {
        self.account.0.used.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

impl fmt::Display for OverBudget {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} need {} of memory; {} of the {} allowed are in use",
            self.what,
            Bytes(self.wanted),
            Bytes(self.used),
            Bytes(self.limit)
        )
    }
}

impl std::error::Error for OverBudget {}

/// Prints a number of bytes as a person reads it, in binary units.
#[derive(Clone, Copy, Debug)]
pub struct Bytes(pub u64);

impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const KIB: u64 = 1 << 10;
        const MIB: u64 = 1 << 20;
        const GIB: u64 = 1 << 30;
        let (unit, name) = match self.0 {
            b if b < KIB => return write!(f, "{b} bytes"),
            b if b < MIB => (KIB, "KiB"),
            b if b < GIB => (MIB, "MiB"),
            _ => (GIB, "GiB"),
        };
        let tenths = (self.0 as u128 * 10 / u128::from(unit)) as u64;
        if tenths >= 1000 || tenths.is_multiple_of(10) {
            write!(f, "{} {name}", tenths / 10)
        } else {
            write!(f, "{}.{} {name}", tenths / 10, tenths % 10)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn charges_are_given_back_and_refused_with_numbers() {
        let account = Account::new(100);
        let first = account.charge(60, "rows").unwrap();
        let refused = account.charge(50, "masks").unwrap_err();
        assert_eq!(
            refused,
            OverBudget {
                what: "masks",
                wanted: 50,
                used: 60,
                limit: 100
            }
        );
        drop(first);
        assert_eq!(account.used(), 0);
        assert!(account.charge(100, "rows").is_ok());
        assert_eq!(account.peak(), 100);
    }

    #[test]
    fn a_charge_near_the_end_of_u64_does_not_wrap() {
        let account = Account::new(1 << 40);
        let _held = account.charge(1 << 30, "rows").unwrap();
        assert!(account.charge(u64::MAX, "rows").is_err());
    }
}
