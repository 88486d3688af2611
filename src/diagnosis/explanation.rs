//! Why flash is not the image that it was compared with.

use super::fit::{Fit, TELLING_BITS, fit, moved, zeros};
use super::seen::Known;
use crate::board::MemoryShape;
use crate::image::{ByteAddress, Image, Span};

/// What is there instead of an image, or what has become of it. Only bytes that the image says something about count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Explanation {
    /// Nothing is there.
    Erased,
    /// All of it is there, so many bytes further up or down.
    Moved { by: i64 },
    /// The two bytes of every word are swapped.
    Swapped,
    /// All of another image that is known is there, with this name.
    OtherImage(String),
    /// These pages are erased, and everything else is right.
    ErasedPages(Vec<Span>),
    /// Bits that should be 0 read 1, and none the other way round.
    OnlyOnes { bits: u32 },
    /// Bits that should be 1 read 0, and none the other way round.
    OnlyZeros { bits: u32 },
    /// Most pages are right, and something else is in these.
    Altered(Vec<Span>),
    /// Something else is there.
    Other,
}

/// Explains why `found` is not `wanted`; `None` where it is. `flash` is the shape of the flash, `known` are other images that may be there.
pub fn explain(found: &Image, wanted: &Image, flash: MemoryShape, known: &[Known]) -> Option<Explanation> {
    let whole = Span::first(flash.bytes);
    let compared = Compared::of(found, wanted, flash);
    if compared.wrong.is_empty() {
        return None;
    }
    if is_swapped(found, wanted, flash.blank) {
        return Some(Explanation::Swapped);
    }
    if let Some(by) = moved(found, wanted, whole) {
        return Some(Explanation::Moved { by });
    }
    let other = known.iter().filter(|known| known.image != *wanted);
    if let Some(other) = other.into_iter().find(|known| fit(found, &known.image, whole, flash.page, flash.blank) == Fit::Same) {
        return Some(Explanation::OtherImage(other.name.clone()));
    }
    Some(compared.judge())
}

/// The known image that flash holds: every byte of it is there, and the rest of `application` is blank.
pub fn held_image<'k>(found: &Image, application: Span, blank: u8, known: &'k [Known]) -> Option<&'k Known> {
    let there = found.filled(application, blank);
    let held = |image: &Image| image.extent().is_some_and(|all| image.filled(all, blank) == found.filled(all, blank));
    known.iter().find(|known| held(&known.image) && known.image.filled(application, blank) == there)
}

/// An image beside what is there, page by page.
#[derive(Default)]
struct Compared {
    right: Vec<Span>,
    wrong: Vec<Span>,
    /// Those of the wrong ones that are blank.
    blank: Vec<Span>,
    /// Bits that are 1 and should be 0, and the other way round.
    ones: u32,
    zeros: u32,
}

impl Compared {
    fn of(found: &Image, wanted: &Image, flash: MemoryShape) -> Compared {
        let mut compared = Compared::default();
        let Some(extent) = wanted.extent() else { return compared };
        for page in extent.to_pages(flash.page).pages(flash.page) {
            let part = wanted.crop(page);
            let pairs = part.runs().flat_map(|(at, run)| (at.0..).zip(run));
            let pairs: Vec<(u8, u8)> = pairs.map(|(at, want)| (*want, found.byte(ByteAddress(at)).unwrap_or(flash.blank))).collect();
            if pairs.is_empty() {
                continue;
            }
            compared.ones += pairs.iter().map(|(want, held)| (held & !want).count_ones()).sum::<u32>();
            compared.zeros += pairs.iter().map(|(want, held)| (want & !held).count_ones()).sum::<u32>();
            let same = pairs.iter().all(|(want, held)| want == held);
            if same { &mut compared.right } else { &mut compared.wrong }.push(page);
            if !same && pairs.iter().all(|(_, held)| *held == flash.blank) {
                compared.blank.push(page);
            }
        }
        compared
    }

    fn judge(self) -> Explanation {
        if self.blank.len() == self.wrong.len() {
            return if self.right.is_empty() { Explanation::Erased } else { Explanation::ErasedPages(self.wrong) };
        }
        match (self.ones, self.zeros) {
            (bits, 0) => Explanation::OnlyOnes { bits },
            (0, bits) => Explanation::OnlyZeros { bits },
            _ if self.wrong.len() <= self.right.len() => Explanation::Altered(self.wrong),
            _ => Explanation::Other,
        }
    }
}

/// Whether all words of an image are there with their two bytes swapped. A last byte without a partner does not count.
fn is_swapped(found: &Image, wanted: &Image, blank: u8) -> bool {
    let telling = zeros(wanted) >= TELLING_BITS;
    telling
        && wanted.runs().all(|(at, run)| {
            let even = (at.0 % 2) as usize;
            let words = run.get(even..).unwrap_or_default().chunks_exact(2);
            let place = Span::sized(ByteAddress(at.0 + even as u32), words.len() as u32 * 2);
            let held = place.map(|place| found.filled(place, blank)).unwrap_or_default();
            words.zip(held.chunks_exact(2)).all(|(wanted, held)| wanted.iter().eq(held.iter().rev()))
        })
}

#[cfg(test)]
mod tests {
    use super::super::seen::From;
    use super::*;

    const FLASH: MemoryShape = MemoryShape { bytes: 4096, page: 64, blank: 0xFF };

    fn random(seed: u64, bytes: usize) -> Vec<u8> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..bytes).map(|_| random.u8(..)).collect()
    }

    /// Explains what became of an image of five pages that lies at 128.
    fn explained(change: impl FnOnce(&mut Vec<u8>)) -> Option<Explanation> {
        let wanted = Image::of(ByteAddress(128), &random(3, 320));
        let other = Known { name: "another".into(), image: Image::of(ByteAddress(0), &random(4, 700)), from: From::Job(7) };
        let mut flash = wanted.filled(Span::first(FLASH.bytes), 0xFF);
        change(&mut flash);
        explain(&Image::of(ByteAddress(0), &flash), &wanted, FLASH, &[other])
    }

    fn page(n: u32) -> Span {
        Span::sized(ByteAddress(n * FLASH.page), FLASH.page).expect("a page")
    }

    #[test]
    fn the_image_itself() {
        assert_eq!(explained(|_| {}), None);
        assert_eq!(explained(|flash| flash[2000] = 0), None, "the image says nothing of that byte");
    }

    #[test]
    fn nothing_and_pages_of_nothing() {
        assert_eq!(explained(|flash| flash.fill(0xFF)), Some(Explanation::Erased));
        assert_eq!(explained(|flash| flash[192..320].fill(0xFF)), Some(Explanation::ErasedPages(vec![page(3), page(4)])));
    }

    #[test]
    fn another_place_and_another_order() {
        assert_eq!(explained(|flash| flash.rotate_right(0x800)), Some(Explanation::Moved { by: 0x800 }));
        assert_eq!(explained(|flash| flash.rotate_left(6)), Some(Explanation::Moved { by: -6 }));
        assert_eq!(explained(|flash| flash.chunks_exact_mut(2).for_each(|word| word.swap(0, 1))), Some(Explanation::Swapped));
    }

    #[test]
    fn another_image_and_no_image() {
        let known = |flash: &mut Vec<u8>| flash[..700].copy_from_slice(&random(4, 700));
        assert_eq!(explained(known), Some(Explanation::OtherImage("another".into())));
        assert_eq!(explained(|flash| flash[..700].copy_from_slice(&random(9, 700))), Some(Explanation::Other));
    }

    #[test]
    fn an_image_is_held_when_all_of_it_is_there_and_nothing_else() {
        let known =
            |at, len| Known { name: format!("{len} at {at}"), image: Image::of(ByteAddress(at), &random(4, len)), from: From::Job(7) };
        let all = [known(0, 200), known(0, 700), known(512, 700)];
        let whole = random(4, 700);
        let held =
            |flash: &[u8]| held_image(&Image::of(ByteAddress(0), flash), Span::first(1024), 0xFF, &all).map(|known| known.name.clone());
        assert_eq!(held(&whole).as_deref(), Some("700 at 0"), "the shorter one is not all that is there");
        assert_eq!(held(&whole[..200]).as_deref(), Some("200 at 0"));
        assert_eq!(held(&whole[..699]), None);
        assert_eq!(held(&[vec![0xFF; 512], whole.clone()].concat()).as_deref(), Some("700 at 512"), "it reaches past the application");
        assert_eq!(held(&[vec![0xFF; 512], whole[..512].to_vec()].concat()), None, "what lies past the application counts too");
        assert_eq!(held(&[]), None);
    }

    #[test]
    fn single_bits() {
        let set = |flash: &mut Vec<u8>, at: usize| {
            let bit = flash[at].trailing_ones();
            flash[at] |= 1 << bit;
        };
        let clear = |flash: &mut Vec<u8>, at: usize| {
            let bit = flash[at].trailing_zeros();
            flash[at] &= !(1 << bit);
        };
        assert_eq!(explained(|flash| (130..133).for_each(|at| set(flash, at))), Some(Explanation::OnlyOnes { bits: 3 }));
        assert_eq!(explained(|flash| (130..132).for_each(|at| clear(flash, at))), Some(Explanation::OnlyZeros { bits: 2 }));
        let both = |flash: &mut Vec<u8>| {
            set(flash, 130);
            clear(flash, 131);
        };
        assert_eq!(explained(both), Some(Explanation::Altered(vec![page(2)])));
    }
}
