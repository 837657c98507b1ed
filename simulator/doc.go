// Package simulator is a shop without steel: emulated tools on
// pseudo-terminals that send real bytes, technicians who pull bolts with them
// and make mistakes, and the truth about what they did.
//
// # Parts
//
// A Plan says what is to be done: jobs, steps, fasteners, and which mistakes
// are made where. Build turns it, with its seed, into a Script: everything
// that each technician does, in order, with the peak, the angle and the
// duration of each pull. The same plan gives the same script on every
// machine. Script.Run performs it on a Stage: tools, the desk (what people
// do on the pages) and a hook that waits until a reading is decided. A Rig
// holds the emulated tools. Script.Record performs the script without any
// line or clock and gives the bytes and the readings for use offline.
//
// The package builds its frames from the protocol notes beside the profiles
// and imports neither the rules nor the ingest side: two programs that share
// code can only agree. All tools, shops and figures in it are invented.
//
// # What a recording looks like
//
// Recording.WriteDir writes, into one folder:
//
//   - DEVICE.bytes: every byte that the tool put on its line, in order;
//   - DEVICE.times.jsonl: one line for each write to that line:
//     {"at_us":…,"offset":…,"bytes":…}, in order, at_us being microseconds
//     since 1970 UTC of the first byte;
//   - readings.jsonl: one line for each value that a tool reported, bench by
//     bench, in order of time: at_us, tool, bench, text (digits as sent, decimal point), unit
//     (quantity code), value (in the base unit, under a name that tells it), counter, job, step, pass (from 0), fastener, fault, and arrives: false if
//     the line lost it;
//   - truth.json: the Truth of each job.
//
// truth.json says that all of it is invented, and gives the seed.
package simulator
