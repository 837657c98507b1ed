package quantity

import (
	"encoding/json"
	"math"
	"testing"
)

func TestValueJSON(t *testing.T) {
	for _, c := range []struct {
		v    Value
		text string
	}{
		{NewtonMetres(35.25).Value(), `{"torque_nm":35.25}`},
		{NewtonMetres(0).Value(), `{"torque_nm":0}`},
		{Degrees(-90).Value(), `{"angle_deg":-90}`},
		{Millimetres(0.15).Value(), `{"length_mm":0.15}`},
		{Newtons(1.2e-7).Value(), `{"force_n":1.2e-7}`},
		{Newtons(1e21).Value(), `{"force_n":1e+21}`},
		{Value{}, `null`},
	} {
		b, err := json.Marshal(c.v)
		if err != nil || string(b) != c.text {
			t.Errorf("write %v: got %s, %v; want %s", c.v, b, err, c.text)
		}
		var back Value
		if err := json.Unmarshal([]byte(c.text), &back); err != nil || back != c.v {
			t.Errorf("read %s: got %v, %v; want %v", c.text, back, err, c.v)
		}
	}
	for _, x := range []float64{math.NaN(), math.Inf(1)} {
		if b, err := json.Marshal(NewtonMetres(x).Value()); err == nil {
			t.Errorf("write %v: got %s, want an error", x, b)
		}
	}
	for _, bad := range []string{`{}`, `5`, `"5 Nm"`, `{"torque_nm":1,"angle_deg":2}`, `{"torque_nm":"1"}`, `[1]`, `{"mass_kg":1}`} {
		var v Value
		if err := json.Unmarshal([]byte(bad), &v); err == nil {
			t.Errorf("read %s: got %v, want an error", bad, v)
		}
	}
}

func TestValueIsWhatItSays(t *testing.T) {
	v := NewtonMetres(5).Value()
	if _, ok := v.Length(); ok {
		t.Error("a torque was given as a length")
	}
	if got, ok := v.Torque(); !ok || got != NewtonMetres(5) {
		t.Errorf("got %v %v", got, ok)
	}
	if got := v.In(Millimetre); !math.IsNaN(got) {
		t.Errorf("a torque in mm is %v, want NaN", got)
	}
	if v.IsZero() || NewtonMetres(0).Value().IsZero() || !(Value{}).IsZero() {
		t.Error("only the value without dimension is none")
	}
	if (Value{}).Finite() || !v.Finite() || Newtons(math.NaN()).Value().Finite() {
		t.Error("finite is wrong")
	}
	if got := v.WithBase(7); got != NewtonMetres(7).Value() {
		t.Errorf("got %v", got)
	}
	if got := (Value{}).WithBase(7); !got.IsZero() {
		t.Errorf("none with a magnitude is %v", got)
	}
	if got := Of(5, Unit{}); !got.IsZero() {
		t.Errorf("no unit gives %v", got)
	}
}
