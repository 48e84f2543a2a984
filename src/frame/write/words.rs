//! What a file says in words: title, creator, rights, and a date if one is given.

/// Descriptive texts for a file's metadata. A part that is `None` is not written.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words {
    pub title: Option<String>,
    pub creator: Option<String>,
    pub rights: Option<String>,
    /// When the picture was made, as its maker states it: never the clock.
    pub date: Option<Moment>,
}

/// A second in UTC, from 1970 to the end of 9999: what four digits of a year can say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment(u64);

impl Moment {
    /// `seconds` since 1970-01-01T00:00:00Z, as `SOURCE_DATE_EPOCH` counts them; `None` beyond the year 9999.
    pub fn of_unix(seconds: u64) -> Option<Moment> {
        (seconds <= 253_402_300_799).then_some(Moment(seconds))
    }

    /// As TIFF 6.0 and Exif want it: `YYYY:MM:DD HH:MM:SS`.
    pub(super) fn tiff(self) -> String {
        let (year, month, day, [hour, minute, second]) = self.parts();
        format!("{year:04}:{month:02}:{day:02} {hour:02}:{minute:02}:{second:02}")
    }

    /// As XMP wants it (ISO 8601).
    pub(super) fn iso(self) -> String {
        let (year, month, day, [hour, minute, second]) = self.parts();
        format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
    }

    /// Year, month and day of the proleptic Gregorian calendar, and hour, minute, second.
    fn parts(self) -> (u64, u64, u64, [u64; 3]) {
        let mut days = self.0 / 86_400;
        let second = self.0 % 86_400;
        let mut year = 1970;
        loop {
            let length = 365 + u64::from(is_leap(year));
            if days < length {
                break;
            }
            days -= length;
            year += 1;
        }
        let february = 28 + u64::from(is_leap(year));
        let mut month = 1;
        for length in [31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30] {
            if days < length {
                break;
            }
            days -= length;
            month += 1;
        }
        (
            year,
            month,
            days + 1,
            [second / 3600, second / 60 % 60, second % 60],
        )
    }
}

fn is_leap(year: u64) -> bool {
    year.is_multiple_of(4) && !year.is_multiple_of(100) || year.is_multiple_of(400)
}

/// `text` without what XML 1.0 (section 2.2) and TIFF's texts can't hold: control characters but tab, line feed and
/// carriage return, and the two noncharacters U+FFFE and U+FFFF. `None` when nothing is left.
pub(super) fn printable(text: &Option<String>) -> Option<String> {
    let kept: String = text
        .as_deref()?
        .chars()
        .filter(|c| !c.is_control() || matches!(c, '\t' | '\n' | '\r'))
        .filter(|c| !matches!(c, '\u{fffe}' | '\u{ffff}'))
        .collect();
    (!kept.trim().is_empty()).then_some(kept)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339, section 5.8 has the first kind of notation; the pairs are what `date -u -d @N` of GNU coreutils prints.
    #[test]
    fn moments_are_the_calendar_s() {
        let iso = |seconds| Moment::of_unix(seconds).unwrap().iso();
        assert_eq!(iso(0), "1970-01-01T00:00:00Z");
        assert_eq!(iso(951_782_399), "2000-02-28T23:59:59Z");
        assert_eq!(iso(951_782_400), "2000-02-29T00:00:00Z");
        assert_eq!(iso(978_307_199), "2000-12-31T23:59:59Z");
        assert_eq!(iso(1_000_000_000), "2001-09-09T01:46:40Z");
        assert_eq!(iso(4_107_542_400), "2100-03-01T00:00:00Z");
        assert_eq!(iso(253_402_300_799), "9999-12-31T23:59:59Z");
        assert_eq!(Moment::of_unix(253_402_300_800), None);
        assert_eq!(Moment(1_000_000_000).tiff(), "2001:09:09 01:46:40");
    }

    #[test]
    fn control_characters_are_left_out() {
        let given = Some("ink\0 \u{7}50\tml\u{85}\u{ffff}, Fläche".to_string());
        assert_eq!(printable(&given).unwrap(), "ink 50\tml, Fläche");
        assert_eq!(printable(&Some("\u{1} \u{2}".to_string())), None);
        assert_eq!(printable(&None), None);
    }
}
