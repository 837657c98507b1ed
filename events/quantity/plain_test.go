package quantity

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"
)

// TestPlainFormAgrees: the short way of reading a value gives what the long
// way gives, or leaves it to that.
func TestPlainFormAgrees(t *testing.T) {
	for _, c := range []struct {
		text string
		ok   bool
	}{
		{`{"torque_nm":35.25}`, true}, {`{"length_mm":-0.15}`, true}, {`{"force_n":0}`, true}, {`{"angle_deg":90}`, true},
		{`{"torque_nm":01}`, false}, {`{"torque_nm":.5}`, false}, {`{"torque_nm":5.}`, false}, {`{"torque_nm":+5}`, false},
		{`{"torque_nm":1e3}`, false}, {`{"torque_nm":0x10}`, false}, {`{"torque_nm":1_0}`, false}, {`{"torque_nm":Inf}`, false},
		{`{"torque_nm": 5}`, false}, {`{"torque_nm":5,"force_n":5}`, false}, {`{"torque_nm":}`, false}, {`{"torque_nm":-}`, false},
		{`{"torque_nm":"5"}`, false}, {`{"mass_kg":5}`, false}, {``, false},
	} {
		if _, ok := plain([]byte(c.text)); ok != c.ok {
			t.Errorf("%s: plain is %v, want %v", c.text, ok, c.ok)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		v := Value{Dimension(rapid.IntRange(1, 4).Draw(t, "dim")), rapid.Float64().Draw(t, "base")}
		b, err := json.Marshal(v)
		if err != nil {
			return // not finite
		}
		if got, ok := plain(b); ok && got != v {
			t.Fatalf("%s read as %v, want %v", b, got, v)
		}
	})
}
