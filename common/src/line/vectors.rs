//! Published and computed vectors of line arithmetic.

use super::*;

const M: u64 = 1_000_000;

fn floor_rate(bits: u64, frame_size: u16) -> u64 {
    line_frame_rate(LineRate(bits), frame_size).frames_in(SECOND)
}

/// Computed table of floor(L / (8 × (F + 20))), the formula of RFC 5180 Appendix A.1 (standards.md 5.1):
/// frame size, then 10M 100M 1G 2.5G 5G 10G 25G 40G 100G.
#[rustfmt::skip]
const TABLE: [(u16, [u64; 9]); 15] = [
    (64, [14_880, 148_809, 1_488_095, 3_720_238, 7_440_476, 14_880_952, 37_202_380, 59_523_809, 148_809_523]),
    (128, [8_445, 84_459, 844_594, 2_111_486, 4_222_972, 8_445_945, 21_114_864, 33_783_783, 84_459_459]),
    (256, [4_528, 45_289, 452_898, 1_132_246, 2_264_492, 4_528_985, 11_322_463, 18_115_942, 45_289_855]),
    (512, [2_349, 23_496, 234_962, 587_406, 1_174_812, 2_349_624, 5_874_060, 9_398_496, 23_496_240]),
    (768, [1_586, 15_862, 158_629, 396_573, 793_147, 1_586_294, 3_965_736, 6_345_177, 15_862_944]),
    (1024, [1_197, 11_973, 119_731, 299_329, 598_659, 1_197_318, 2_993_295, 4_789_272, 11_973_180]),
    (1280, [961, 9_615, 96_153, 240_384, 480_769, 961_538, 2_403_846, 3_846_153, 9_615_384]),
    (1518, [812, 8_127, 81_274, 203_185, 406_371, 812_743, 2_031_859, 3_250_975, 8_127_438]),
    (1522, [810, 8_106, 81_063, 202_658, 405_317, 810_635, 2_026_588, 3_242_542, 8_106_355]),
    (2048, [604, 6_044, 60_444, 151_112, 302_224, 604_448, 1_511_121, 2_417_794, 6_044_487]),
    (4096, [303, 3_036, 30_369, 75_923, 151_846, 303_692, 759_232, 1_214_771, 3_036_929]),
    (9000, [138, 1_385, 13_858, 34_645, 69_290, 138_580, 346_452, 554_323, 1_385_809]),
    (9018, [138, 1_383, 13_830, 34_576, 69_152, 138_304, 345_762, 553_219, 1_383_049]),
    (9022, [138, 1_382, 13_824, 34_560, 69_121, 138_243, 345_609, 552_975, 1_382_437]),
    (9216, [135, 1_353, 13_533, 33_834, 67_669, 135_339, 338_349, 541_359, 1_353_399]),
];

const LINES: [u64; 9] =
    [10 * M, 100 * M, 1_000 * M, 2_500 * M, 5_000 * M, 10_000 * M, 25_000 * M, 40_000 * M, 100_000 * M];

#[test]
fn maximum_frame_rates() {
    let mut cells = 0;
    for (frame_size, rates) in TABLE {
        for (bits, rate) in LINES.into_iter().zip(rates) {
            assert_eq!(floor_rate(bits, frame_size), rate, "{frame_size} bytes at {}", LineRate(bits));
            cells += 1;
        }
    }
    assert_eq!(cells, 135);
}

/// RFC 2544 Appendix B: maximum frame rates on 10 Mb/s Ethernet.
#[test]
fn rfc_2544_appendix_b() {
    let printed = [
        (64, 14880),
        (128, 8445),
        (256, 4528),
        (512, 2349),
        (768, 1586),
        (1024, 1197),
        (1280, 961),
        (1518, 812),
    ];
    for (frame_size, rate) in printed {
        assert_eq!(floor_rate(10 * M, frame_size), rate, "{frame_size}");
    }
}

/// RFC 5180 Appendix A.1 says "rounded down", yet three cells it prints are not the floor of its own formula.
#[test]
fn rfc_5180_misprints_are_not_copied() {
    for (bits, frame_size, misprint, right) in [
        (1_000 * M, 4096, 30_396, 30_369),
        (10_000 * M, 4096, 303_691, 303_692),
        (1_000 * M, 9216, 13_534, 13_533),
    ] {
        let rate = floor_rate(bits, frame_size);
        assert_ne!(rate, misprint);
        assert_eq!(rate, right);
    }
}

/// Computed (standards.md 5.1, detail at 1 Gb/s): exact rate, slot time, frames in 60 s.
#[test]
fn gigabit_in_detail() {
    for (frame_size, per_second, slot_ns, in_60_s) in [
        (64, 1_488_095.238, 672, 89_285_714),
        (512, 234_962.406, 4_256, 14_097_744),
        (1024, 119_731.801, 8_352, 7_183_908),
        (1518, 81_274.382, 12_304, 4_876_462),
        (9018, 13_830.493, 72_304, 829_829),
    ] {
        let rate = line_frame_rate(LineRate(1_000 * M), frame_size);
        assert!((rate.per_second() - per_second).abs() < 5e-4, "{frame_size}: {}", rate.per_second());
        assert_eq!((rate.frames(), rate.nanoseconds()), (1, slot_ns));
        assert_eq!(rate.frames_in(60 * SECOND), in_60_s);
        assert_eq!(rate.time_of(1), slot_ns);
        assert!((rate.percent_of(LineRate(1_000 * M), frame_size) - 100.0).abs() < 1e-9);
        assert!((rate.bits_per_second(frame_size) - 1e9).abs() < 1e-3);
    }
}

/// Computed: 10 s of 1,024 octets at 1 Gb/s is 1,197,318 frames; a rate floored first would give 1,197,310.
#[test]
fn a_rate_is_not_floored_before_it_is_multiplied() {
    let rate = line_frame_rate(LineRate(1_000 * M), 1024);
    assert_eq!(rate.frames_in(10 * SECOND), 1_197_318);
    assert_eq!(floor_rate(1_000 * M, 1024) * 10, 1_197_310);
}

/// RFC 8239 section 2.2: 99.98 % of nominal. The frame rates are computed (standards.md 5.2).
#[test]
fn rfc_8239_preset() {
    let load: Load = "rfc8239".parse().unwrap();
    assert_eq!(load, "99.98%".parse().unwrap());
    for (frame_size, per_second) in [(64, 1_487_797.62), (1518, 81_258.13)] {
        let rate = load.rate(LineRate(1_000 * M), frame_size).unwrap();
        assert!((rate.per_second() - per_second).abs() < 5e-3, "{}", rate.per_second());
    }
}

/// RFC 8238 section 5: 64 octets at 1 GbE may lie from 1,487,946.4 to 1,488,244 frames/s, 1.488 frames/s per ppm.
#[test]
fn rfc_8238_legal_range() {
    let rate = line_frame_rate(LineRate(1_000 * M), 64);
    let (low, high) = tolerance::legal_range(rate, tolerance::STATION_PPM);
    assert!((low - 1_487_946.4).abs() < 0.05, "{low}");
    assert!((high - 1_488_244.0).abs() < 0.5, "{high}");
    assert!((tolerance::surplus(rate, 1.0, 1.0) - 1.488).abs() < 5e-4);
}

/// Computed (standards.md 5.2): what a port 200 ppm slower must drop at 1 Gb/s, a second and a minute.
#[test]
fn surplus_of_clocks_200_ppm_apart() {
    for (frame_size, second, minute) in
        [(64, 297.62, 17_857.0), (1024, 23.946, 1_436.8), (1518, 16.255, 975.3)]
    {
        let rate = line_frame_rate(LineRate(1_000 * M), frame_size);
        assert!((tolerance::surplus(rate, tolerance::PAIR_PPM, 1.0) - second).abs() < 5e-3);
        assert!((tolerance::surplus(rate, tolerance::PAIR_PPM, 60.0) - minute).abs() < 0.5);
        assert!((tolerance::surplus(rate, 100.0, 1.0) - second / 2.0).abs() < 5e-3);
    }
}

/// Computed (standards.md 5.2): seconds to the first loss at 200 ppm with frames of 1,518 octets.
#[test]
fn time_to_first_loss() {
    for (kibibytes, seconds, digit) in
        [(64, 2.66, 5e-3), (256, 10.6, 0.05), (512, 21.2, 0.05), (2048, 85.0, 0.5)]
    {
        let found =
            tolerance::seconds_to_loss(LineRate(1_000 * M), 1518, kibibytes * 1024, tolerance::PAIR_PPM);
        assert!((found - seconds).abs() < digit, "{kibibytes} KiB: {found}");
    }
    assert_eq!(tolerance::seconds_to_loss(LineRate(1_000 * M), 1518, 1024, 0.0), f64::INFINITY);
}

/// Computed (standards.md 5.2): octets of idle a repeater deletes a frame.
#[test]
fn idle_deleted_by_a_repeater() {
    assert!((tolerance::idle_deleted(64, 200.0) - 0.0168).abs() < 1e-12);
    assert!((tolerance::idle_deleted(1518, 200.0) - 0.3076).abs() < 1e-12);
}

#[test]
fn the_clock_note_begins_above_99_98_percent() {
    let line = LineRate(1_000 * M);
    let note =
        |text: &str| tolerance::note(text.parse::<Load>().unwrap().rate(line, 64).unwrap(), line, 64, 60.0);
    assert_eq!(note("99.98%"), None);
    assert_eq!(note("50%"), None);
    let full = note("100%").unwrap();
    assert!((full.load_percent - 100.0).abs() < 1e-9);
    assert!((full.surplus_frames_per_s - 297.62).abs() < 5e-3);
    assert!((full.surplus_frames - 17_857.0).abs() < 0.5);
    assert!((full.surplus_octets - full.surplus_frames * 64.0).abs() < 1e-6);
    let near = note("99.980001%").unwrap();
    assert!(near.surplus_frames_per_s.abs() < 0.1, "{near:?}");
    assert!(note("99.99%").unwrap().surplus_frames_per_s > 100.0);
}
