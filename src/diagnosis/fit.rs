//! How the bytes that were found stand to an image that is known.

use crate::image::{ByteAddress, Image, Span};

/// How flash stands to an image.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fit {
    /// Every byte of the image is there.
    Same,
    /// A few bits of one page that should be 0 read 1; all else is there.
    Damaged { page: Span, bits: u32 },
    /// Part of it is there. These pages are blank or torn.
    HalfWritten { pages: Vec<Span> },
    /// All of it is there, so many bytes further up or down.
    Moved { by: i64 },
    /// Most of it is there. These pages hold something else.
    Altered { pages: Vec<Span> },
    /// Something else is there, or nothing.
    Other,
}

/// So many bits of an image that read 0 are no accident.
pub(super) const TELLING_BITS: u32 = 64;
/// A page that was cut while it was written has lost about half of its bits; one with weak cells, few.
const FEW_OF: u32 = 4;
/// How much of an image is looked for at other places.
const PROBE: usize = 64;

/// How one page stands.
enum Page {
    Same,
    /// Bits that should be 0 and read 1, of how many that should be 0.
    Unset {
        lost: u32,
        of: u32,
    },
    Foreign,
}

/// Compares `found` with the part of `wanted` in `room`. `page` and `blank` are the flash's.
pub fn fit(found: &Image, wanted: &Image, room: Span, page: u32, blank: u8) -> Fit {
    let wanted = wanted.crop(room);
    let Some(extent) = wanted.extent() else { return Fit::Other };
    let pages: Vec<Span> = extent.to_pages(page).pages(page).filter(|page| !wanted.crop(*page).is_empty()).collect();
    let stands: Vec<(Span, Page)> = pages.iter().map(|page| (*page, stands(found, &wanted, *page, blank))).collect();
    let of = |pick: fn(&Page) -> bool| -> Vec<Span> { stands.iter().filter(|(_, page)| pick(page)).map(|(span, _)| *span).collect() };
    let (foreign, wrong) = (of(|page| matches!(page, Page::Foreign)), of(|page| !matches!(page, Page::Same)));
    let lost: u32 = stands.iter().map(|(_, page)| if let Page::Unset { lost, .. } = page { *lost } else { 0 }).sum();
    match (foreign.len(), wrong.as_slice()) {
        (_, []) => Fit::Same,
        (0, [only]) if is_damage(&stands, *only) => Fit::Damaged { page: *only, bits: lost },
        (0, _) if zeros(&wanted) - lost >= TELLING_BITS => Fit::HalfWritten { pages: wrong },
        _ => match moved(found, &wanted, room) {
            Some(by) => Fit::Moved { by },
            None if wrong.len() * 2 <= pages.len() => Fit::Altered { pages: wrong },
            None => Fit::Other,
        },
    }
}

fn is_damage(stands: &[(Span, Page)], page: Span) -> bool {
    let few = |lost: u32, of: u32| lost * FEW_OF < of;
    stands.iter().any(|(span, stand)| *span == page && matches!(stand, Page::Unset { lost, of } if few(*lost, *of)))
}

fn stands(found: &Image, wanted: &Image, page: Span, blank: u8) -> Page {
    let wanted = wanted.crop(page);
    let (mut lost, mut of, mut same) = (0, 0, true);
    for (at, run) in wanted.runs() {
        let Some(here) = Span::sized(at, run.len() as u32) else { continue };
        for (new, old) in run.iter().zip(found.filled(here, blank)) {
            if !old & new != 0 {
                return Page::Foreign;
            }
            same &= old == *new;
            lost += (old & !new).count_ones();
            of += new.count_zeros();
        }
    }
    if same { Page::Same } else { Page::Unset { lost, of } }
}

pub(super) fn zeros(image: &Image) -> u32 {
    image.runs().flat_map(|(_, run)| run).map(|byte| byte.count_zeros()).sum()
}

/// How far the whole image lies from where it belongs.
pub(super) fn moved(found: &Image, wanted: &Image, room: Span) -> Option<i64> {
    let (start, first) = wanted.runs().next()?;
    let probe = &first[..first.len().min(PROBE)];
    if probe.iter().map(|byte| byte.count_zeros()).sum::<u32>() < TELLING_BITS {
        return None;
    }
    let all_there = |at: ByteAddress| {
        let by = i64::from(at.0) - i64::from(start.0);
        let there = |(run_at, run): (ByteAddress, &[u8])| {
            let place = u32::try_from(i64::from(run_at.0) + by).ok().and_then(|at| Span::sized(ByteAddress(at), run.len() as u32));
            place.is_some_and(|place| found.covers(place) && found.filled(place, 0) == run)
        };
        (by != 0 && wanted.runs().all(there)).then_some(by)
    };
    found.within(room).find_map(|(at, run)| {
        let places = run.windows(probe.len()).enumerate().filter(|(_, window)| *window == probe);
        places.map(|(n, _)| ByteAddress(at.0 + n as u32)).find_map(all_there)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: u32 = 64;

    /// Four pages and a half, as a program might look.
    fn image() -> Image {
        let mut random = fastrand::Rng::with_seed(5);
        let bytes: Vec<u8> = (0..PAGE * 9 / 2).map(|_| random.u8(..)).collect();
        Image::of(ByteAddress(0), &bytes)
    }

    /// The flash with the image in it, and something done to its bytes.
    fn fits(change: impl FnOnce(&mut Vec<u8>)) -> Fit {
        let room = Span::first(PAGE * 32);
        let mut flash = image().filled(room, 0xFF);
        change(&mut flash);
        fit(&Image::of(ByteAddress(0), &flash), &image(), room, PAGE, 0xFF)
    }

    fn page(n: u32) -> Span {
        Span::sized(ByteAddress(n * PAGE), PAGE).expect("a page")
    }

    #[test]
    fn the_image_itself_and_something_behind_it() {
        assert_eq!(fits(|_| {}), Fit::Same);
        assert_eq!(fits(|flash| flash[1500] = 0), Fit::Same);
    }

    #[test]
    fn nothing_and_something_else() {
        assert_eq!(fits(|flash| flash.fill(0xFF)), Fit::Other);
        let mut random = fastrand::Rng::with_seed(6);
        assert_eq!(fits(|flash| flash.iter_mut().for_each(|byte| *byte = random.u8(..))), Fit::Other);
    }

    #[test]
    fn a_write_that_broke_off() {
        assert_eq!(fits(|flash| flash[128..].fill(0xFF)), Fit::HalfWritten { pages: vec![page(2), page(3), page(4)] });
        let mut random = fastrand::Rng::with_seed(7);
        let torn = fits(|flash| flash[256..].iter_mut().for_each(|byte| *byte |= random.u8(..)));
        assert_eq!(torn, Fit::HalfWritten { pages: vec![page(4)] }, "the last page, torn");
    }

    #[test]
    fn cells_that_do_not_hold_a_zero() {
        let bit = fits(|flash| {
            let at = (64..128).find(|at| flash[*at] & 0x10 == 0).expect("a bit");
            flash[at] |= 0x10;
        });
        assert_eq!(bit, Fit::Damaged { page: page(1), bits: 1 });
    }

    #[test]
    fn another_place() {
        assert_eq!(fits(|flash| flash.rotate_right(128)), Fit::Moved { by: 128 });
        assert_eq!(fits(|flash| flash.rotate_left(30)), Fit::Other, "its beginning is cut off");
    }

    #[test]
    fn a_page_that_something_else_was_written_to() {
        assert_eq!(fits(|flash| flash[70] = !flash[70]), Fit::Altered { pages: vec![page(1)] });
    }
}
