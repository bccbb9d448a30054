//! Songs that the demo does not play, for hat and ride in its room.

use batterhead::demo::groove::Part;
use batterhead::demo::groove::Piece::{CrashLeft, CrashRight, Floor, Hat, Kick, Ride};
use batterhead::demo::groove::Piece::{Snare, Tom1, Tom2};
use batterhead::demo::songs::Song;

static SLOW: Part = Part {
    tempo: 104.0,
    bars: &[
        &[
            (Kick, "X.....x.X....x.."),
            (Snare, "....X..g....X.g."),
            (Ride, "x.o.x.o.x.o.x.oB"),
            (CrashRight, "X..............."),
        ],
        &[
            (Kick, "X..x....X.x....."),
            (Snare, "..g.X....g..X..."),
            (Hat, "x.x.x.x.x.x.x.O."),
        ],
        &[
            (Kick, "x.....X...x....."),
            (Snare, "....X.......X.gg"),
            (Ride, "B...x.o.B...x.o."),
        ],
        &[
            (Kick, "X...X...X...X..."),
            (Hat, "..x...x...x...x."),
            (Floor, "x.o.x.o.x.o.x.o."),
        ],
    ],
    fills: &[&[
        (Kick, "X...x...x...x..."),
        (Snare, "Xxx............."),
        (Tom1, "...xXxx........."),
        (Tom2, ".......xXxx....."),
        (Floor, "...........xXxxX"),
        (CrashLeft, "X..............."),
    ]],
};

static FAST: Part = Part {
    tempo: 176.0,
    bars: &[
        &[
            (Kick, "X.x.X.x.X.x.X.x."),
            (Snare, "....X.......X..."),
            (Ride, "x...x...B...x..."),
        ],
        &[
            (Kick, "X.xxX.xxX.xxX.xx"),
            (Snare, "....X.......X..."),
            (Hat, "x.o.x.o.x.o.x.o."),
            (CrashLeft, "X..............."),
        ],
        &[
            (Kick, "X.X.X.X.X.X.X.X."),
            (Snare, ".X.X.X.X.X.X.X.X"),
            (Ride, "x.x.x.x.x.x.x.x."),
        ],
    ],
    fills: &[&[
        (Kick, "X...X...X...X..."),
        (Snare, "XxXx........Xx.."),
        (Tom1, "....XxX........."),
        (Tom2, ".......xXx......"),
        (Floor, "..........XxXx.."),
    ]],
};

/// Three takes each, by other hands than those of the demo.
pub fn songs() -> [Song; 2] {
    let mut songs = batterhead::demo::songs();
    for (song, part) in songs.iter_mut().zip([&SLOW, &FAST]) {
        song.part = Part { ..*part };
        for (number, take) in (21..).zip(&mut song.takes) {
            take.number = number;
            take.seconds = 17.0;
            take.mishaps.clear();
        }
    }
    songs
}
