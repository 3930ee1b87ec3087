//! What the drive was.

use super::{bytes, heads, shown, table};
use crate::base::human;
use crate::partition::Scheme;
use crate::report::document::Document;
use crate::report::values::AreaReport;
use crate::source::SerialFrom;
use maud::{Markup, html};

pub(super) fn section(document: &Document) -> Markup {
    let source = &document.case.source;
    html! {
        dl.facts {
            dt { "Model" } dd { (source.model.as_deref().map_or_else(|| "not known".to_owned(), shown)) }
            dt { "Serial number" } dd {
                (source.serial.as_deref().map_or_else(|| "not known".to_owned(), shown))
                @if source.details.serial_from == Some(SerialFrom::UsbDevice) { " (of the USB device, which may be the adapter’s)" }
            }
            @if let Some(revision) = &source.details.firmware { dt { "Firmware" } dd { (shown(revision)) } }
            @if let Some(name) = &source.details.wwn { dt { "World wide name" } dd { (shown(name)) } }
            dt { "Size" } dd { (bytes(source.bytes)) " (" (human::count(source.bytes)) " bytes)" }
            dt { "Sectors" } dd { (source.logical_sector) " bytes logical, " (source.physical_sector) " bytes physical" }
            dt { "Divided by" } dd { (scheme(document.survey.scheme)) }
            dt { "Last opened as" } dd { code { (shown(&source.path.to_string_lossy())) } }
            dt { "Image" } dd { code { (document.image_name) } }
        }
        (table("Areas of the drive, in order", html! {
            (heads(&[("number", true), ("from byte", true), ("size", true), ("kind", false), ("holds", false), ("label", false), ("in use", true)]))
            tbody { @for area in &document.survey.areas { (area_row(area)) } }
        }))
    }
}

fn scheme(scheme: Scheme) -> &'static str {
    match scheme {
        Scheme::Gpt => "GUID partition table (GPT)",
        Scheme::Mbr => "master boot record (MBR)",
        Scheme::SingleVolume => "nothing: the drive is one volume",
        Scheme::Searched => "a table that is lost; volumes were searched for",
        Scheme::Unrecognised => "nothing that is recognised",
    }
}

fn area_row(area: &AreaReport) -> Markup {
    let volume = area.volume.as_ref();
    let holds = area.holds.as_deref().unwrap_or("");
    let label = volume.and_then(|volume| volume.label.as_deref()).or(area.name.as_deref()).unwrap_or("");
    let in_use =
        volume.map(|volume| volume.fullness).or(area.space.as_ref().map(|space| space.fullness)).map(human::share);
    html! {
        tr {
            th.n scope="row" { (area.number.map_or_else(|| "–".to_owned(), |number| number.to_string())) }
            td.n { (human::count(area.start)) }
            td.n { (bytes(area.bytes)) }
            td { (area.kind) @if let Some(type_name) = &area.type_name { span.quiet { " " (shown(type_name)) } } }
            td { (shown(holds)) }
            td { (shown(label)) }
            td.n { (in_use.unwrap_or_default()) }
        }
    }
}
