// Package demo makes an outing with simulated people: six invented pairs whose
// phones are real clients of a real server, with bodies plausible enough that
// the pages and the board show what they would at a pool. It is for showing and
// for tests. Everything these people record says `"simulated": true`, and a
// server that runs for them says so to every page.
//
// Their pace can be quickened, shared time cannot: at pace 4 a hold planned for
// 4:00 is planned for 1:00, the diver's body uses its oxygen four times as
// fast, and rests are a quarter. Checks, windows, alarms and the presses of the
// buddies keep their real times, so a page that is opened in between needs to
// know nothing of it, sounds as it always does, and its owner can take part.
//
//   - body.go        the diver's body: oxygen, heart, contractions, finger sensor
//   - cast.go        who they are, and what happens to them
//   - pair.go        what two people do, from the plan to the surfacing
//   - after.go       the same from the first breath to the verdict
//   - instructor.go  who watches the board, and goes where an alarm lasts
//   - phone.go       a phone as these people see it, and one without a network
//   - client.go      a phone on the network
//   - link.go        one connection of it
//   - history.go     their earlier holds
//   - folder.go      the mark on a data folder, and that real people keep theirs
//   - outing.go      all of it together
package demo
