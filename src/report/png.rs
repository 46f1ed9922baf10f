//! Pictures as PNG files, drawn from their SVG.

use resvg::usvg::fontdb::Database;
use resvg::{tiny_skia, usvg};

use crate::diagnostic::{Problem, Result};

/// Pixels per unit of the picture: 3000 across, 300 to the inch over ten inches.
const SCALE: f32 = 3.0;
/// What any of these is, text is set in; else in the first family there is.
const FAMILIES: [&str; 4] = ["Arial", "Helvetica", "Liberation Sans", "DejaVu Sans"];

/// The picture of `svg` as the bytes of a PNG file, in a font of this machine.
///
/// # Errors
/// [`Problem::NoFont`] if there is none: the text would be missing.
/// [`Problem::Internal`] if the picture cannot be drawn.
pub fn png(svg: &str) -> Result<Vec<u8>> {
    let mut fonts = Database::new();
    fonts.load_system_fonts();
    drawn(svg, fonts)
}

fn drawn(svg: &str, mut fonts: Database) -> Result<Vec<u8>> {
    let names = |face: &usvg::fontdb::FaceInfo| face.families.first().map(|f| f.0.clone());
    let present: Vec<String> = fonts.faces().filter_map(names).collect();
    let wanted = FAMILIES
        .iter()
        .find(|name| present.iter().any(|f| f == *name));
    let Some(family) = wanted
        .map(|name| (*name).to_owned())
        .or(present.first().cloned())
    else {
        return Err(Problem::NoFont.into());
    };
    fonts.set_sans_serif_family(&family);
    fonts.set_serif_family(&family);
    let options = usvg::Options {
        font_family: family,
        fontdb: std::sync::Arc::new(fonts),
        ..usvg::Options::default()
    };
    let internal = |what: String| Problem::Internal { what };
    let tree = usvg::Tree::from_str(svg, &options)
        .map_err(|error| internal(format!("a picture cannot be read back: {error}")))?;
    let size = tree.size();
    let [width, height] = [size.width(), size.height()].map(|side| (SCALE * side).ceil() as u32);
    let mut pixels = tiny_skia::Pixmap::new(width, height)
        .ok_or_else(|| internal("a picture has no size".into()))?;
    let scale = tiny_skia::Transform::from_scale(SCALE, SCALE);
    resvg::render(&tree, scale, &mut pixels.as_mut());
    let bytes = pixels.encode_png();
    Ok(bytes.map_err(|error| internal(format!("a picture cannot be written: {error}")))?)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SVG: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 90 30\" \
                       width=\"90\" height=\"30\"><rect width=\"90\" height=\"30\" fill=\"#fff\"/>\
                       <text x=\"5\" y=\"20\" font-family=\"sans-serif\">Hz</text></svg>";

    #[test]
    fn a_machine_without_fonts_is_told_so() {
        let error = drawn(SVG, Database::new()).unwrap_err();
        assert!(error.to_string().contains("font"), "{error}");
    }

    #[test]
    fn text_is_there_where_there_is_a_font() {
        let Ok(with_text) = png(SVG) else {
            return;
        };
        let without = png(&SVG.replace("Hz", "")).unwrap();
        assert!(with_text.starts_with(b"\x89PNG"));
        assert_ne!(with_text, without);
        let drawn = tiny_skia::Pixmap::decode_png(&with_text).unwrap();
        assert_eq!((drawn.width(), drawn.height()), (270, 90));
    }
}
