//! Dates as they are written to disk: RFC 3339 in UTC.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// The last second that a year of four digits can say; RFC 3339 has no later one.
const LAST: Duration = Duration::from_secs(253_402_300_799);

/// A host without a battery-backed clock may believe any date. What RFC 3339 cannot say becomes the nearest that it can.
fn sayable(date: SystemTime) -> SystemTime {
    let since = date.duration_since(UNIX_EPOCH).unwrap_or_default();
    UNIX_EPOCH + since.min(LAST)
}

/// `2026-11-25T09:00:01Z`
pub(super) fn to_second(date: SystemTime) -> String {
    humantime::format_rfc3339_seconds(sayable(date)).to_string()
}

/// `2026-11-25T09:00:01.250Z`, for steps, many of which take less than a second.
pub(super) fn to_millisecond(date: SystemTime) -> String {
    humantime::format_rfc3339_millis(sayable(date)).to_string()
}

/// `2026-11-25T09:00:01.250417Z`, for snapshots, several of which may be taken within a second.
pub(super) fn to_microsecond(date: SystemTime) -> String {
    humantime::format_rfc3339_micros(sayable(date)).to_string()
}

/// The date that a text of [`to_second`], [`to_millisecond`] or [`to_microsecond`] says; `None` where it says none.
pub(super) fn parse(text: &str) -> Option<SystemTime> {
    humantime::parse_rfc3339(text).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_that_cannot_be_said_become_the_nearest() {
        assert_eq!(to_second(UNIX_EPOCH - Duration::from_secs(5)), "1970-01-01T00:00:00Z");
        assert_eq!(to_second(UNIX_EPOCH + Duration::from_secs(1 << 40)), "9999-12-31T23:59:59Z");
    }

    #[test]
    fn a_date_survives_the_way_to_text_and_back() {
        let date = UNIX_EPOCH + Duration::from_millis(1_764_057_601_250);
        assert_eq!(parse(&to_millisecond(date)), Some(date));
        assert_eq!(parse("yesterday"), None);
    }
}
