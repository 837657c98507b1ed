package calibration

import (
	"strings"
	"testing"
)

// iso6789.csv I35: 12 months or 5000 cycles, a memory row.
func TestUsualPeriodMemoryRow(t *testing.T) {
	text := cell(t, "iso6789.csv", "I35")
	if p := UsualPeriod(); !strings.Contains(text, "12 months or 5000 cycles") || p.Months != 12 || p.Cycles != 5000 {
		t.Errorf("%+v, table %q", UsualPeriod(), text)
	}
}

// By hand.
func TestDue(t *testing.T) {
	last := date("2026-03-01")
	d, err := UsualPeriod().DueAt(last, 1000, date("2026-06-09")) // 100 days, 10 cycles a day
	if err != nil {
		t.Fatal(err)
	}
	if d.Over || d.CyclesLeft != 4000 || d.By != date("2027-03-01") || d.Expected != d.By {
		t.Errorf("%+v", d)
	}
	if d, _ = UsualPeriod().DueAt(last, 4000, date("2026-06-09")); d.Expected != date("2026-07-04") || d.Over {
		t.Errorf("1000 cycles left at 40 a day are 25 days: %+v", d)
	}
	if d, _ = UsualPeriod().DueAt(last, 5000, date("2026-06-09")); d.Over {
		t.Errorf("the 5000th cycle is still good: %+v", d)
	}
	if d, _ = UsualPeriod().DueAt(last, 5001, date("2026-06-09")); !d.Over || d.Why != "5000 cycles are over by 1" {
		t.Errorf("%+v", d)
	}
	if d, _ = UsualPeriod().DueAt(last, 0, date("2027-03-01")); d.Over {
		t.Errorf("the last day is still good: %+v", d)
	}
	if d, _ = UsualPeriod().DueAt(last, 0, date("2027-03-02")); !d.Over || d.Why != "12 months were over on 2027-03-01" {
		t.Errorf("%+v", d)
	}
	if d, _ = (Period{}).DueAt(last, 9999, date("2040-01-01")); d.Over || !d.Expected.IsZero() {
		t.Errorf("no bounds: %+v", d)
	}
	for _, bad := range []Period{{Months: -1}, {Cycles: -1}} {
		if _, err := bad.DueAt(last, 0, last); err == nil {
			t.Errorf("%+v passes", bad)
		}
	}
	if _, err := UsualPeriod().DueAt(date("2026-11-26"), 0, date("2026-11-25")); err == nil {
		t.Error("a calibration of tomorrow")
	}
}

// iso6789.csv I01 to I12 (memory): each class and what it is; I36 and I38 (memory):
// a quarter of the limit for the display and for the reference.
func TestClassesMemoryRows(t *testing.T) {
	for i, c := range classes {
		id := "I" + string(rune('0'+(i+1)/10)) + string(rune('0'+(i+1)%10))
		item := columnOf(t, "iso6789.csv", id, "item")
		if !strings.HasPrefix(item, c.Class.String()) {
			t.Errorf("%s: %q, have %s", id, item, c.Class)
		}
		kind := columnOf(t, "iso6789.csv", id, "applies_to")
		for _, word := range []string{"wrench", "screwdriver", "electronic", "fixed", "non-graduated", "flexion"} {
			if mine := strings.ReplaceAll(c.what, "not graduated", "non-graduated"); strings.Contains(kind, word) != strings.Contains(mine, word) {
				t.Errorf("%s: %q, have %q: differ in %q", id, kind, c.what, word)
			}
		}
	}
	for _, id := range []string{"I36", "I38"} {
		if !strings.Contains(cell(t, "iso6789.csv", id), "1/4 of the maximum permissible deviation") {
			t.Errorf("%s says otherwise", id)
		}
	}
	near(t, "ratio", LeastRatio, 4, 0)
}

func columnOf(t *testing.T, name, id, column string) string {
	t.Helper()
	rows := published(t, name)
	for c, h := range rows[0] {
		for _, r := range rows[1:] {
			if h == column && r[0] == id {
				return r[c]
			}
		}
	}
	t.Fatalf("%s has no %s in row %s", name, column, id)
	return ""
}
