//! Numbers and times as people read them.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Bytes in decimal units, as drives are sold: `17 B`, `4.1 kB`, `1.50 GB`.
#[allow(clippy::cast_precision_loss, reason = "three digits are shown")]
pub fn bytes(count: u64) -> String {
    const UNITS: [&str; 6] = ["kB", "MB", "GB", "TB", "PB", "EB"];
    if count < 1000 {
        return format!("{count} B");
    }
    let mut value = count as f64;
    let mut unit = 0;
    value /= 1000.0;
    while value >= 999.5 && unit + 1 < UNITS.len() {
        value /= 1000.0;
        unit += 1;
    }
    let digits = if value < 9.995 { 2 } else { usize::from(value < 99.95) };
    format!("{value:.digits$} {}", UNITS[unit])
}

/// Bytes in binary units where they come out whole, as cluster and sector sizes are spoken of: `4 KiB`, `2 MiB`.
pub fn unit_size(count: u64) -> String {
    match count {
        n if n >= 1 << 20 && n % (1 << 20) == 0 => format!("{} MiB", n >> 20),
        n if n >= 1 << 10 && n % (1 << 10) == 0 => format!("{} KiB", n >> 10),
        n => format!("{n} B"),
    }
}

/// A time: `0.4 s`, `35 s`, `12 min`, `3 h 05 min`, `5 d 19 h`.
pub fn seconds(time: f64) -> String {
    if time < 9.95 {
        return format!("{time:.1} s");
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "never negative; saturates")]
    let whole = time.round() as u64;
    match whole {
        0..=119 => format!("{whole} s"),
        120..=7199 => format!("{} min", (whole + 30) / 60),
        7200..=172_799 => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
        _ => format!("{} d {} h", whole / 86_400, whole % 86_400 / 3600),
    }
}

/// A number with its noun: `1 file`, `3,551 files`.
pub fn counted(number: u64, one: &str, many: &str) -> String {
    format!("{} {}", count(number), if number == 1 { one } else { many })
}

/// Those of several counts that are not 0, each with what it counts.
pub fn counts<'w>(list: impl IntoIterator<Item = (u64, &'w str)>) -> Vec<String> {
    list.into_iter()
        .filter(|(number, _)| *number > 0)
        .map(|(number, what)| format!("{} {what}", count(number)))
        .collect()
}

/// A share as a percentage: `0 %`, `0.04 %`, `12 %`, `100 %`. What is not all never shows as 100 %, what is something
/// never as 0 %.
pub fn share(part: f64) -> String {
    let percent = part * 100.0;
    if percent <= 0.0 {
        "0 %".to_owned()
    } else if percent < 0.01 {
        "< 0.01 %".to_owned()
    } else if percent < 1.0 {
        format!("{percent:.2} %")
    } else if percent < 10.0 {
        format!("{percent:.1} %")
    } else if (99.5..100.0).contains(&percent) {
        format!("{:.2} %", percent.min(99.99))
    } else {
        format!("{percent:.0} %")
    }
}

/// A count with its thousands apart: `1,234,567`.
pub fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// The time now (RFC 3339, UTC, whole seconds). A clock that is before 1970 or beyond 9999 shows as the nearest moment between.
pub fn now() -> String {
    moment(SystemTime::now())
}

/// A moment (RFC 3339, UTC, whole seconds), shown like [`now`].
pub fn moment(time: SystemTime) -> String {
    // The last second of 9999.
    const LAST: u64 = 253_402_300_799;
    let seconds = time.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs().min(LAST));
    humantime::format_rfc3339_seconds(UNIX_EPOCH + Duration::from_secs(seconds)).to_string()
}

#[cfg(test)]
mod tests {
    #[test]
    fn figures_as_people_read_them() {
        assert_eq!(
            [0, 999, 1000, 4096, 999_499, 999_500, 1_500_000_000].map(super::bytes).join(" | "),
            "0 B | 999 B | 1.00 kB | 4.10 kB | 999 kB | 1.00 MB | 1.50 GB"
        );
        assert_eq!([512, 4096, 2 << 20, 1536].map(super::unit_size).join(" | "), "512 B | 4 KiB | 2 MiB | 1536 B");
        assert_eq!(
            [0.04, 9.94, 9.96, 119.4, 125.0, 7300.0, 500_000.0].map(super::seconds).join(" | "),
            "0.0 s | 9.9 s | 10 s | 119 s | 2 min | 2 h 01 min | 5 d 18 h"
        );
        assert_eq!(
            [0.0, 0.00001, 0.0005, 0.05, 0.5, 0.996, 0.99999, 1.0].map(super::share).join(" | "),
            "0 % | < 0.01 % | 0.05 % | 5.0 % | 50 % | 99.60 % | 99.99 % | 100 %"
        );
        assert_eq!([7, 1234, 1_234_567].map(super::count).join(" | "), "7 | 1,234 | 1,234,567");
    }

    /// A dead clock battery gives 1970 or worse; 32-bit hardware clocks can give anything. Seconds by GNU `date -u -d @N`.
    #[test]
    fn any_clock_has_a_time() {
        use std::time::{Duration, UNIX_EPOCH};
        let at = |seconds| super::moment(UNIX_EPOCH + Duration::from_secs(seconds));
        assert_eq!(at(951_782_400), "2000-02-29T00:00:00Z");
        assert_eq!(at(253_402_300_799), "9999-12-31T23:59:59Z");
        assert_eq!(at(253_402_300_800), "9999-12-31T23:59:59Z");
        assert_eq!(super::moment(UNIX_EPOCH - Duration::from_secs(1)), "1970-01-01T00:00:00Z");
        assert_eq!(super::moment(UNIX_EPOCH - Duration::from_secs(u64::from(u32::MAX))), "1970-01-01T00:00:00Z");
    }
}
