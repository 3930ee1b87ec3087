//! Points in time as file systems record them.

use serde::Serialize;
use std::num::NonZeroI64;

/// Steps of 100 nanoseconds in a second.
const STEPS: i64 = 10_000_000;
/// From the start of 1601 (where NTFS counts from) to the start of 1970, in steps. Source: Linux fs/ntfs/time.h
/// (`NTFS_TIME_OFFSET`: 369 years with 89 leap days).
const NTFS_TO_UNIX: i64 = (369 * 365 + 89) * 24 * 3600 * STEPS;

/// A point in time in steps of 100 nanoseconds since the start of 1970, which reaches some 29,000 years either way.
///
/// Kept with its sign bit turned, so that "none" takes no room: a catalog holds one for each file.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(into = "i64")]
pub struct Timestamp(NonZeroI64);

impl Timestamp {
    fn from_steps(steps: i64) -> Option<Timestamp> {
        // i64::MIN, and it alone, becomes zero.
        NonZeroI64::new(steps ^ i64::MIN).map(Timestamp)
    }

    /// Steps of 100 nanoseconds since the start of 1970.
    pub fn steps(self) -> i64 {
        self.0.get() ^ i64::MIN
    }

    /// From an NTFS time: steps of 100 nanoseconds since the start of 1601. `None` for 0, which means "never set".
    pub fn from_ntfs(time: u64) -> Option<Timestamp> {
        let steps = i64::try_from(time).ok().filter(|time| *time != 0)?;
        Timestamp::from_steps(steps - NTFS_TO_UNIX)
    }

    /// From a FAT date and time of day, `None` where they name no day or time. FAT records local time without saying
    /// where; it is taken for UTC, so that the same bytes give the same answer everywhere. Source: "FAT: General
    /// Overview of On-Disk Format", Microsoft, 1.03, "Date and Time Formats" (from memory).
    pub fn from_fat(date: u16, time: u16) -> Option<Timestamp> {
        let (year, month, day) = (1980 + i64::from(date >> 9), i64::from(date >> 5 & 15), i64::from(date & 31));
        let (hour, minute, second) = (i64::from(time >> 11), i64::from(time >> 5 & 63), 2 * i64::from(time & 31));
        if !(1..=12).contains(&month)
            || day < 1
            || day > days_in(year, month)
            || hour > 23
            || minute > 59
            || second > 59
        {
            return None;
        }
        Timestamp::from_steps((days_since_1970(year, month, day) * 86_400 + hour * 3600 + minute * 60 + second) * STEPS)
    }

    /// From an exFAT time: a FAT date and time in the upper and lower half, hundredths of a second on top (0 to 199), and
    /// the distance of that local time from UTC (bit 7: known; the rest signed, in quarters of an hour). An unknown
    /// distance is taken for none. Source: exFAT file system specification 1.00, 7.4.8 to 7.4.10 (from memory).
    pub fn from_exfat(stamp: u32, hundredths: u8, utc_offset: u8) -> Option<Timestamp> {
        let half = |shift: u32| u16::try_from(stamp >> shift & 0xFFFF).expect("16 bits");
        let local = Timestamp::from_fat(half(16), half(0))?;
        let quarters = match utc_offset {
            0..0x80 => 0,
            // The lower seven bits, with their sign bit carried up.
            known => i64::from((known << 1).cast_signed() >> 1),
        };
        let more = i64::from(hundredths.min(199)) * (STEPS / 100);
        Timestamp::from_steps(local.steps() + more - quarters * 900 * STEPS)
    }

    /// Whole seconds since the start of 1970, and the nanoseconds on top of them.
    pub fn to_unix(self) -> (i64, u32) {
        let nanoseconds = u32::try_from(self.steps().rem_euclid(STEPS) * 100).expect("less than a second");
        (self.steps().div_euclid(STEPS), nanoseconds)
    }
}

impl From<Timestamp> for i64 {
    fn from(time: Timestamp) -> i64 {
        time.steps()
    }
}

fn is_leap(year: i64) -> bool {
    year % 4 == 0 && (year % 100 != 0 || year % 400 == 0)
}

fn days_in(year: i64, month: i64) -> i64 {
    match month {
        2 => 28 + i64::from(is_leap(year)),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

/// For years from 1980 on.
fn days_since_1970(year: i64, month: i64, day: i64) -> i64 {
    let years: i64 = (1970..year).map(|y| 365 + i64::from(is_leap(y))).sum();
    let months: i64 = (1..month).map(|m| days_in(year, m)).sum();
    years + months + day - 1
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unix(time: Option<Timestamp>) -> Option<i64> {
        time.map(|t| t.steps() / STEPS)
    }

    /// 116,444,736,000,000,000 is the Unix epoch as an NTFS time: Microsoft, "Convert a time_t value to a FILETIME"
    /// (from memory); the others by `date -d @N -u`.
    #[test]
    fn ntfs_times() {
        assert_eq!(unix(Timestamp::from_ntfs(116_444_736_000_000_000)), Some(0));
        assert_eq!(unix(Timestamp::from_ntfs(0)), None);
        assert_eq!(unix(Timestamp::from_ntfs(u64::MAX)), None);
        let before = Timestamp::from_ntfs(116_444_736_000_000_000 - 15_000_000).unwrap();
        assert_eq!(before.to_unix(), (-2, 500_000_000));
        assert_eq!(std::mem::size_of::<Option<Timestamp>>(), 8);
    }

    /// Seconds by GNU `date -u -d "2024-02-29 23:59:58 +0200" +%s` and the like; the offsets' coding as in the function's
    /// own source: 88 is 8 quarters of an hour east, EC is -20 quarters (exFAT specification 1.00, table of 7.4.10).
    #[test]
    fn exfat_times() {
        let stamp = (44 << 9 | 2 << 5 | 29) << 16 | 23 << 11 | 59 << 5 | 29;
        assert_eq!(unix(Timestamp::from_exfat(stamp, 0, 0)), Some(1_709_251_198));
        assert_eq!(unix(Timestamp::from_exfat(stamp, 0, 0x80 | 8)), Some(1_709_251_198 - 7200));
        assert_eq!(unix(Timestamp::from_exfat(stamp, 0, 0xEC)), Some(1_709_251_198 + 18_000));
        assert_eq!(Timestamp::from_exfat(stamp, 150, 0x80).unwrap().to_unix(), (1_709_251_199, 500_000_000));
        assert_eq!(Timestamp::from_exfat(0, 0, 0), None);
    }

    /// Seconds by GNU `date -u -d "2024-02-29 23:59:58" +%s` and the like.
    #[test]
    fn fat_times() {
        let packed = |y: u16, m: u16, d: u16| (y - 1980) << 9 | m << 5 | d;
        assert_eq!(unix(Timestamp::from_fat(packed(1980, 1, 1), 0)), Some(315_532_800));
        assert_eq!(unix(Timestamp::from_fat(packed(2024, 2, 29), 23 << 11 | 59 << 5 | 29)), Some(1_709_251_198));
        assert_eq!(unix(Timestamp::from_fat(packed(2107, 12, 31), 0)), Some(4_354_732_800));
        for (date, time) in [(0, 0), (packed(2023, 2, 29), 0), (packed(2024, 13, 1), 0), (packed(2024, 1, 1), 24 << 11)]
        {
            assert_eq!(Timestamp::from_fat(date, time), None, "{date:#x} {time:#x}");
        }
    }
}
