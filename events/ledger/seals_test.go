package ledger

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

// Seals come back with every field, newest first, and a job's opening is
// found where its decision lies.
func TestSealsComeBack(t *testing.T) {
	s := new(script)
	one, two := filled[events.SealMade](1), filled[events.SealMade](30)
	s.add("seal", minute(1), one)
	s.add("seal", minute(2), two)
	a := s.add(events.SourceDesk, minute(3), events.JobAsked{Ask: ask("ines", "axle", minute(3)), Job: "j-1"})
	opened := s.decide(a, minute(3), events.JobOpened{Job: "j-1", By: "ines", AtUs: minute(3)})
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	got := must(l.Seals(t.Context(), 0))(t)
	if d := cmp.Diff([]Seal{{2, two}, {1, one}}, got); d != "" {
		t.Errorf("seals (-want +got):\n%s", d)
	}
	if got := must(l.Seals(t.Context(), 1))(t); len(got) != 1 || got[0].Seq != 2 {
		t.Errorf("the newest seal: %+v", got)
	}
	if got := must(l.OpenedAt(t.Context(), "j-1"))(t); got != opened {
		t.Errorf("job opened at J%d, want J%d", got, opened)
	}
	if _, err := l.OpenedAt(t.Context(), "none"); !errors.Is(err, ErrUnknown) {
		t.Errorf("a job that is not there: %v, want ErrUnknown", err)
	}
}

// Notices come back with every field, those of open alerts alone.
func TestNoticesComeBack(t *testing.T) {
	s := new(script)
	a := s.add(events.SourceDesk, minute(1), events.JobAsked{Ask: ask("ines", "axle", minute(1)), Job: "j-1"})
	open1, open2 := filled[events.AlertRaised](1), filled[events.AlertRaised](100)
	s.decide(a, minute(1), open1, open2)
	one, two := filled[events.NoticeTried](1), filled[events.NoticeTried](60)
	one.Alert, two.Alert = open1.Alert, open2.Alert
	s.add("notice", minute(2), one)
	s.add("notice", minute(2), two)
	b := s.add(events.SourceDesk, minute(3), events.AlertSettleAsked{Ask: ask("maren", "", minute(3)), Alert: open2.Alert})
	s.decide(b, minute(3), events.AlertSettled{Alert: open2.Alert, By: "maren", How: "seen", AtUs: minute(3)})
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	if d := cmp.Diff([]Notice{{3, one}}, must(l.NoticesOfOpenAlerts(t.Context()))(t)); d != "" {
		t.Errorf("notices (-want +got):\n%s", d)
	}
}
