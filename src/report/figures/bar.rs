//! Small bars that stand inside table rows.

const WIDTH: f64 = 160.0;
const HEIGHT: f64 = 18.0;

/// An interval against its limit: the bar runs from 0 to twice the limit, the tick in
/// its middle is the limit. What lies beyond ends in an arrow head.
pub fn interval_bar(
    value: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    limit: Option<f64>,
) -> Option<String> {
    let limit = limit.filter(|l| l.is_finite() && *l > 0.0)?;
    let place = |v: f64| (v / (2.0 * limit)).clamp(0.0, 1.0) * (WIDTH - 12.0) + 4.0;
    let finite = |v: Option<f64>| v.filter(|v| v.is_finite());
    let (middle, end) = (HEIGHT / 2.0, WIDTH - 8.0);
    let mut svg = format!(
        "<svg class=\"bar\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" aria-hidden=\"true\">\
         <line x1=\"4\" x2=\"{end}\" y1=\"{middle}\" y2=\"{middle}\" stroke=\"var(--grid)\"/>\
         <line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"1\" y2=\"{1}\" stroke=\"var(--ink)\" stroke-width=\"1.5\"/>",
        place(limit),
        HEIGHT - 1.0
    );
    if let (Some(low), Some(high)) = (finite(low), finite(high)) {
        svg.push_str(&format!(
            "<line x1=\"{:.1}\" x2=\"{:.1}\" y1=\"{middle}\" y2=\"{middle}\" stroke=\"var(--mark)\" stroke-width=\"4\"/>",
            place(low),
            place(high).max(place(low) + 1.0)
        ));
        if high > 2.0 * limit {
            svg.push_str(&format!(
                "<path d=\"M{end} {} l8 {} l-8 {} z\" fill=\"var(--mark)\"/>",
                middle - 6.0,
                6,
                6
            ));
        }
    }
    if let Some(value) = finite(value).filter(|v| *v <= 2.0 * limit) {
        svg.push_str(&format!(
            "<circle cx=\"{:.1}\" cy=\"{middle}\" r=\"4.5\" fill=\"var(--paper)\" stroke=\"var(--mark)\" stroke-width=\"2\"/>",
            place(value)
        ));
    }
    Some(svg + "</svg>")
}

/// A share of a whole, for counts.
pub fn share_bar(part: u64, largest: u64) -> String {
    let width = WIDTH * part as f64 / largest.max(1) as f64;
    format!(
        "<svg class=\"bar\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" aria-hidden=\"true\">\
         <rect x=\"0\" y=\"4\" width=\"{width:.1}\" height=\"{}\" fill=\"var(--mark)\"/></svg>",
        HEIGHT - 8.0
    )
}
