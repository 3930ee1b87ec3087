//! A drive's temperature.

mod sensor;

pub use sensor::Thermometer;

/// Whether a drive can have this temperature, in degrees Celsius; anything else is a sensor's error value or another number.
fn is_plausible(celsius: f64) -> bool {
    (-60.0..=150.0).contains(&celsius)
}
