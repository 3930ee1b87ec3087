//! A drive's temperature: from a sensor that the kernel knows, or from a command of the technician's.

mod command;
mod sensor;

pub use command::{TemperatureCommand, TemperatureCommandError};
pub use sensor::Thermometer;

/// Whether a drive can have this temperature, in degrees Celsius; anything else is a sensor's error value or another number.
fn is_plausible(celsius: f64) -> bool {
    (-60.0..=150.0).contains(&celsius)
}
