//! Calling code that may panic: a panic becomes an error, and nothing is printed about it.

use std::any::Any;
use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::sync::Once;

thread_local! {
    static QUIET: Cell<bool> = const { Cell::new(false) };
}

/// Runs `call`; a panic in it comes back as its message. Panics elsewhere are reported as they always were.
pub(super) fn quietly<T>(call: impl FnOnce() -> T) -> Result<T, String> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = take_hook();
        set_hook(Box::new(move |info| {
            if !QUIET.get() {
                usual(info);
            }
        }));
    });
    let before = QUIET.replace(true);
    // Whatever the call left half done is only looked at through calls that are guarded in the same way.
    let outcome = catch_unwind(AssertUnwindSafe(call));
    QUIET.set(before);
    outcome.map_err(|panic| format!("it panicked: {}", message(panic.as_ref())))
}

fn message(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<&str>().copied();
    text.or_else(|| panic.downcast_ref::<String>().map(String::as_str)).unwrap_or("no message")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_is_an_error() {
        assert_eq!(quietly(|| 7), Ok(7));
        assert_eq!(quietly(|| -> u8 { panic!("index {}", 9) }), Err("it panicked: index 9".to_owned()));
        assert!(!QUIET.get());
    }
}
