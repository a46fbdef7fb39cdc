//! `stackworthy plan`: stars and exposures before a flight.

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::Usage;
use super::common::{Common, put_json, say};
use crate::repeat::outlook::Plan as Planned;
use crate::repeat::star_counts::StarCounts;
use crate::report::plan::{json, text};
use crate::verdict::results::limits;

#[derive(Debug, clap::Args)]
#[command(after_help = "The requirement, the confidence and the smallest SNR of a usable star are those of \
                  the settings.\n\nExample: stackworthy plan --field-arcmin 12x8 --stars \
                  30:2.5,100:0.9,300:0.2 --exposure-s 120 --exposures 10")]
pub struct Plan {
    /// Field that all exposures share, arcmin
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = field, required_unless_present = "field_arcmin2")]
    pub field_arcmin: Option<f64>,
    /// The same as an area, arcmin2
    #[arg(long, value_name = "AREA", conflicts_with = "field_arcmin")]
    pub field_arcmin2: Option<f64>,
    /// Usable (isolated) stars per arcmin2 with at least this SNR in one exposure; one pair or more
    #[arg(long, value_name = "SNR:NUMBER,...", value_delimiter = ',', value_parser = pair, required = true)]
    pub stars: Vec<(f64, f64)>,
    /// Beyond the pairs given, the number goes as SNR to the power of minus this
    #[arg(long, value_name = "EXPONENT", default_value_t = 0.6)]
    pub slope: f64,
    /// SNR in one exposure above which stars saturate or their errors stop falling
    #[arg(long, value_name = "SNR", default_value_t = 1000.0)]
    pub max_snr: f64,
    /// Time of one exposure, s
    #[arg(long, value_name = "SECONDS")]
    pub exposure_s: f64,
    /// Number of exposures
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(2..=2000))]
    pub exposures: u32,
    /// Exposure time for which the SNRs of --stars hold [default: that of --exposure-s]
    #[arg(long, value_name = "SECONDS")]
    pub stars_exposure_s: Option<f64>,
    /// Share of the read noise in the noise variance of an exposure of that time, 0 to 1
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    pub read_noise_share: f64,
    /// True rms change of size to expect, fraction of T
    #[arg(long, value_name = "RMS", default_value_t = 0.0)]
    pub size_change: f64,
    /// True rms change of ellipticity to expect, per component
    #[arg(long, value_name = "RMS", default_value_t = 0.0)]
    pub ellipticity_change: f64,
    /// Print JSON instead of words, or write it into a file and print the words as well
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    pub json: Option<PathBuf>,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Plan) -> Result<u8> {
    let settings = args.common.load()?.settings;
    let requirement =
        limits(&settings).map_err(|e| Usage(format!("the requirement in the settings: {e}")))?;
    let wrong = |e: crate::repeat::plan::PlanError| Usage(e.to_string());
    let above_zero = |name: &str, value: f64| match value > 0.0 && value.is_finite() {
        true => Ok(value),
        false => Err(Usage(format!("{name} {value} must be a finite number above zero"))),
    };
    let between = |name: &str, value: f64| match (0.0..=1.0).contains(&value) {
        true => Ok(value),
        false => Err(Usage(format!("{name} {value} must lie between 0 and 1"))),
    };
    let area = args.field_arcmin.or(args.field_arcmin2).unwrap_or_default();
    let plan = Planned {
        counts: StarCounts::new(&args.stars, args.slope).map_err(wrong)?,
        reference_s: above_zero("--stars-exposure-s", args.stars_exposure_s.unwrap_or(args.exposure_s))?,
        read_noise_share: between("--read-noise-share", args.read_noise_share)?,
        area_arcmin2: above_zero("the field, arcmin2:", area)?,
        min_snr: settings.stars.min_snr,
        max_snr: above_zero("--max-snr", args.max_snr)?,
        exposures: args.exposures as usize,
        exposure_s: above_zero("--exposure-s", args.exposure_s)?,
        true_rms: [
            between("--size-change", args.size_change)?,
            between("--ellipticity-change", args.ellipticity_change)?,
        ],
        limits: [requirement.size_limit, requirement.ellipticity_limit],
        confidence: settings.requirement.confidence,
    };
    let answer = args.common.in_pool(|| plan.answer())?.map_err(wrong)?;
    if args.json.as_deref() != Some(Path::new("-")) {
        say(&text(&plan, &requirement, &answer));
    }
    if let Some(path) = &args.json {
        put_json(path, &json(&plan, &requirement, &answer)?)?;
    }
    Ok(0)
}

fn field(text: &str) -> Result<f64, String> {
    let side = |word: &str| word.trim().parse::<f64>().ok().filter(|v| *v > 0.0 && v.is_finite());
    text.split_once(['x', 'X'])
        .and_then(|(width, height)| Some(side(width)? * side(height)?))
        .ok_or_else(|| "give width and height in arcmin, 12x8 say".into())
}

fn pair(text: &str) -> Result<(f64, f64), String> {
    text.split_once(':')
        .and_then(|(snr, number)| Some((snr.trim().parse().ok()?, number.trim().parse().ok()?)))
        .ok_or_else(|| "give an SNR and a number of stars per arcmin2, 30:2.5 say".into())
}
