//! A plan in forms that other programs follow: CSV, a shell script of `dd` commands, a device-mapper table.
//!
//! All come out whole or not at all. `docs/formats/exports.md` describes them.

mod csv;
mod dd;
mod device_mapper;
mod error;

pub use csv::csv;
pub use dd::dd;
pub use device_mapper::{DeviceMapper, Rest, device_mapper};
pub use error::ExportError;

use crate::base::new_file::{Readers, write_new};
use crate::plan::load_plan;
use std::io::Write;
use std::path::Path;

/// A form of export, with its options.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Form {
    /// Comma-separated values, an extent a line, in reading order.
    Csv,
    /// A POSIX shell script of `dd` commands.
    Dd,
    /// A device-mapper table.
    DeviceMapper(DeviceMapper),
}

/// Exports the plan in the file `plan` to a new file at `destination`.
///
/// # Errors
/// [`ExportError`]; there is then nothing new at `destination`.
pub fn export_to_new_file(plan: &Path, form: &Form, destination: &Path) -> Result<(), ExportError> {
    write_new(destination, Readers::AsUsual, |out| export(plan, form, out))
}

/// Exports the plan in the file `plan` to `out`.
///
/// # Errors
/// [`ExportError`]; part of the export may have been written by then.
pub fn export(plan: &Path, form: &Form, out: &mut impl Write) -> Result<(), ExportError> {
    let loaded = load_plan(plan)?;
    // What follows an export cannot take a person's word.
    if *form != Form::Csv && loaded.header.source.fingerprint.bytes == 0 {
        return Err(ExportError::NoFingerprint { plan: plan.to_path_buf() });
    }
    match form {
        Form::Csv => Ok(csv(&loaded, out)?),
        Form::Dd => Ok(dd(&loaded, out)?),
        Form::DeviceMapper(options) => device_mapper(&loaded, out, options),
    }
}
