//! Which model times are calculated by, where several are known.

use super::{DriveModel, ModelError, ModelFileError, UNKNOWN_DRIVE, preset};
use crate::base::ending::{Ending, Ends};
use serde::Serialize;

/// Where the rates come from.
#[derive(Serialize, Debug, Clone, Copy, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum RateOrigin {
    /// The user gave a rate.
    Given,
    /// The user chose the kind of drive, or gave a model.
    Chosen,
    /// `pace` measured the drive for this case.
    Paced,
    /// Measured over the large reads of a survey; all else is that of an unknown drive.
    Measured,
    /// Nothing was measured that could be the drive's own: an unknown drive's.
    Assumed,
}

impl RateOrigin {
    /// In a few words.
    pub fn name(self) -> &'static str {
        match self {
            RateOrigin::Given => "rate as given",
            RateOrigin::Chosen => "as chosen",
            RateOrigin::Paced => "measured by `pace`",
            RateOrigin::Measured => "rate measured by the survey",
            RateOrigin::Assumed => "assumed, not measured",
        }
    }
}

/// What a person gives for the model.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ModelRequest {
    /// A kind of drive, or a model's file.
    pub drive: Option<String>,
    /// A sustained rate in bytes a second, in place of the model's.
    pub rate: Option<f64>,
    /// Milliseconds of one seek with its rotation, in place of the model's.
    pub reposition_ms: Option<f64>,
}

/// Why there is no model.
#[derive(Debug, thiserror::Error)]
pub enum ModelChoiceError {
    /// It cannot be read.
    #[error(transparent)]
    File(#[from] ModelFileError),
    /// The one that was measured for the case cannot be read.
    #[error("the case's {0}")]
    OfCase(ModelFileError),
    /// A figure is out of range.
    #[error(transparent)]
    Figure(#[from] ModelError),
}

impl Ends for ModelChoiceError {
    fn ending(&self) -> Ending {
        match self {
            ModelChoiceError::File(error) => error.ending(),
            ModelChoiceError::OfCase(_) => Ending::Case,
            ModelChoiceError::Figure(error) => error.ending(),
        }
    }
}

/// A model with where it comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelChoice {
    /// The model.
    pub model: DriveModel,
    /// Where its rates come from.
    pub origin: RateOrigin,
}

impl ModelChoice {
    /// The model that is requested, else the one that was measured for the case, else the one that was chosen for it before, else
    /// that of an unknown drive; with the figures that are given in place of its own. `measured` is called only where it counts.
    ///
    /// # Errors
    /// [`ModelChoiceError`].
    pub fn of(
        request: &ModelRequest,
        measured: impl FnOnce() -> Result<Option<DriveModel>, ModelFileError>,
        chosen_before: Option<&DriveModel>,
    ) -> Result<ModelChoice, ModelChoiceError> {
        let (mut model, mut origin) = match &request.drive {
            Some(drive) => (DriveModel::of_kind_or_file(drive)?, RateOrigin::Chosen),
            None => match (measured().map_err(ModelChoiceError::OfCase)?, chosen_before) {
                (Some(measured), _) => (measured, RateOrigin::Paced),
                (None, Some(chosen)) => (chosen.clone(), RateOrigin::Chosen),
                (None, None) => (preset(UNKNOWN_DRIVE).expect("one of the presets").model(), RateOrigin::Assumed),
            },
        };
        if let Some(rate) = request.rate {
            model = model.at_one_rate(rate);
            origin = RateOrigin::Given;
        }
        if let Some(milliseconds) = request.reposition_ms {
            model = model.with_reposition(milliseconds);
        }
        model.check()?;
        Ok(ModelChoice { model, origin })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model_of(kind: &str) -> DriveModel {
        preset(kind).unwrap().model()
    }

    #[test]
    fn what_is_requested_counts_before_what_was_measured_and_that_before_what_was_chosen() {
        let request = |drive: Option<&str>| ModelRequest { drive: drive.map(str::to_owned), ..ModelRequest::default() };
        let (measured, before) = (model_of("sata-ssd"), model_of("notebook-5400"));
        let choice = |drive, measured: Option<&DriveModel>, before| {
            let choice = ModelChoice::of(&request(drive), || Ok(measured.cloned()), before).unwrap();
            (choice.model, choice.origin)
        };
        let chosen = choice(Some("usb2-bridge"), Some(&measured), Some(&before));
        assert_eq!(chosen, (model_of("usb2-bridge"), RateOrigin::Chosen));
        assert_eq!(choice(None, Some(&measured), Some(&before)), (measured.clone(), RateOrigin::Paced));
        assert_eq!(choice(None, None, Some(&before)), (before.clone(), RateOrigin::Chosen));
        assert_eq!(choice(None, None, None), (model_of(UNKNOWN_DRIVE), RateOrigin::Assumed));
    }

    #[test]
    fn a_chosen_kind_needs_no_measured_model_and_figures_replace_its_own() {
        let request =
            ModelRequest { drive: Some("sata-ssd".to_owned()), rate: Some(50e6), reposition_ms: Some(f64::NAN) };
        let error = ModelChoice::of(&request, || unreachable!("not looked at"), None).unwrap_err();
        assert!(matches!(error, ModelChoiceError::Figure(_)), "{error}");
        let lost = || Err(ModelFileError::NoSuch { asked: "model.json".to_owned() });
        let error = ModelChoice::of(&ModelRequest::default(), lost, None).unwrap_err();
        assert_eq!(error.ending(), Ending::Case);
        let request = ModelRequest { reposition_ms: Some(3.0), ..request };
        let choice = ModelChoice::of(&request, || unreachable!("not looked at"), None).unwrap();
        assert_eq!((choice.origin, choice.model.mean_rate()), (RateOrigin::Given, 50e6));
        assert!((choice.model.mean_reposition_seconds() - 0.003).abs() < 1e-9);
    }
}
