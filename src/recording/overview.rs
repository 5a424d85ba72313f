//! What a closed recording adds for people who open it in a general viewer: the rig time of every row as a dimension
//! scale beside the counts, and a small picture of the whole run in SI units that is plotted first.
//!
//! Dimension scales are written as the HDF5 dimension-scale convention lays them down (attributes `CLASS`,
//! `REFERENCE_LIST`, `DIMENSION_LIST`); groups follow NeXus NXdata (`signal`, `auxiliary_signals`, `axes`).

use super::description::{RunDescription, put, unit_of, write_signals};
use super::raw::{create_terminated_attribute, create_text_attribute};
use super::schema::{ENTRY, Form, Layout, SAMPLES, TIME_AXIS, class, samples_dataset};
use super::span::Span;
use super::store::append;
use hdf5::types::VarLenArray;
use hdf5::{Dataset, File, ObjectReference, ObjectReference1, Result as H5Result};

/// Group of the small picture.
pub(super) const GROUP: &str = "overview";
/// Intervals of the small picture at most; each gives two points, its smallest and its largest value.
const INTERVALS: usize = 4_000;
/// Rows handled at a time; each piece holds the library's lock only for a moment.
pub(super) const PIECE: usize = 65_536;

/// Write `time_ns` beside the counts.
pub(super) fn write_time_axis(
    file: &File,
    layout: &Layout,
    description: &RunDescription,
    spans: &[Span],
) -> H5Result<()> {
    let samples = file.group(ENTRY)?.group(SAMPLES)?;
    let axis = samples_dataset::<i64>(&samples, TIME_AXIS, Form::Closed)?;
    create_text_attribute(&axis, "units", "ns")?;
    create_text_attribute(&axis, "long_name", "rig time since the stream's first frame (ns)")?;
    for span in spans {
        for first in (0..span.frames).step_by(PIECE) {
            let frames = (span.first_frame + first)..(span.first_frame + (first + PIECE as u64).min(span.frames));
            let times: Vec<i64> =
                frames.map(|frame| (frame as f64 * 1e9 / description.rate_hz).round() as i64).collect();
            append(&axis, &times)?;
        }
    }
    create_text_attribute(&samples, "axes", TIME_AXIS)?;
    let counts: Vec<&Dataset> = layout.counts.iter().collect();
    attach_scale(file, &axis, &counts)
}

/// Write the small picture.
pub(super) fn write_overview(
    file: &File,
    layout: &Layout,
    description: &RunDescription,
    spans: &[Span],
) -> H5Result<()> {
    let group = class(file.group(ENTRY)?.create_group(GROUP)?, "NXdata")?;
    let rows: u64 = spans.iter().map(|span| span.frames).sum();
    let interval = (rows as usize).div_ceil(INTERVALS).max(2);
    create_text_attribute(&group, "derived", &format!("smallest and largest value of each {interval} frames, in SI"))?;
    write_signals(&group, description)?;
    create_text_attribute(&group, "axes", "time_s")?;
    let axis = samples_dataset::<f64>(&group, "time_s", Form::Closed)?;
    create_text_attribute(&axis, "units", "s")?;
    create_text_attribute(&axis, "long_name", "rig time (s)")?;
    append(&axis, &interval_times(spans, interval, description.rate_hz))?;
    let mut pictures = Vec::new();
    for (counts, channel) in layout.counts.iter().zip(&description.channels) {
        let extremes = interval_extremes(counts, rows as usize, interval)?;
        let values: Vec<f32> = extremes.into_iter().map(|c| channel.scaling.to_si(c) as f32).collect();
        let picture = samples_dataset::<f32>(&group, &channel.id.0, Form::Closed)?;
        let unit = unit_of(channel.quantity);
        create_text_attribute(&picture, "units", unit)?;
        create_text_attribute(&picture, "long_name", &format!("{} ({unit})", channel.label))?;
        put(&picture, "frames_in_interval", interval as u64)?;
        append(&picture, &values)?;
        pictures.push(picture);
    }
    attach_scale(file, &axis, &pictures.iter().collect::<Vec<_>>())
}

/// Two times an interval: its beginning and its middle.
fn interval_times(spans: &[Span], interval: usize, rate_hz: f64) -> Vec<f64> {
    let rows: u64 = spans.iter().map(|span| span.frames).sum();
    let mut times = Vec::new();
    let mut at = 0;
    for first in (0..rows).step_by(interval) {
        let length = (rows - first).min(interval as u64);
        for row in [first, first + length / 2] {
            while spans[at].first_row + spans[at].frames <= row {
                at += 1;
            }
            times.push((spans[at].first_frame + row - spans[at].first_row) as f64 / rate_hz);
        }
    }
    times
}

/// Smallest and largest counts of each interval, in the order in which they occur.
fn interval_extremes(counts: &Dataset, rows: usize, interval: usize) -> H5Result<Vec<i32>> {
    let piece = interval * (PIECE / interval).max(1);
    let mut extremes = Vec::new();
    for first in (0..rows).step_by(piece) {
        let values = counts.read_slice_1d::<i32, _>(first..(first + piece).min(rows))?.to_vec();
        for part in values.chunks(interval) {
            extremes.extend(ordered_extremes(part));
        }
    }
    Ok(extremes)
}

fn ordered_extremes(part: &[i32]) -> [i32; 2] {
    let mut low = (0, i32::MAX);
    let mut high = (0, i32::MIN);
    for (index, &value) in part.iter().enumerate() {
        if value < low.1 {
            low = (index, value);
        }
        if value > high.1 {
            high = (index, value);
        }
    }
    if low.0 <= high.0 { [low.1, high.1] } else { [high.1, low.1] }
}

/// One entry of a scale's `REFERENCE_LIST`.
#[derive(Clone, Copy, hdf5::H5Type)]
#[repr(C)]
struct ScaleUse {
    dataset: ObjectReference1,
    dimension: i32,
}

/// Make `scale` the scale of dimension 0 of each dataset.
fn attach_scale(file: &File, scale: &Dataset, datasets: &[&Dataset]) -> H5Result<()> {
    create_terminated_attribute(scale, c"CLASS", c"DIMENSION_SCALE")?;
    let own = ObjectReference1::create(file, &scale.name())?;
    let mut uses = Vec::new();
    for dataset in datasets {
        let list = [VarLenArray::from_slice(&[own])];
        dataset.new_attr_builder().with_data(&list).create("DIMENSION_LIST")?;
        uses.push(ScaleUse { dataset: ObjectReference1::create(file, &dataset.name())?, dimension: 0 });
    }
    if uses.is_empty() { Ok(()) } else { scale.new_attr_builder().with_data(&uses).create("REFERENCE_LIST").map(drop) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_extremes_in_the_order_in_which_they_occur() {
        assert_eq!(ordered_extremes(&[3, 9, -2, 4]), [9, -2]);
        assert_eq!(ordered_extremes(&[3, -9, 2, 4]), [-9, 4]);
        assert_eq!(ordered_extremes(&[5]), [5, 5]);
    }

    #[test]
    fn places_intervals_behind_a_gap_at_their_own_time() {
        let spans =
            [Span { first_row: 0, first_frame: 10, frames: 4 }, Span { first_row: 4, first_frame: 100, frames: 3 }];
        assert_eq!(interval_times(&spans, 4, 10.0), vec![1.0, 1.2, 10.0, 10.1]);
    }
}
