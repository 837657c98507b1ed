package procedure

import (
	"fmt"
	"strconv"
	"strings"

	"witnessmark/events/quantity"
)

func parseQuantity(s string) (quantity.Value, quantity.Unit, error) {
	num, unit, ok := strings.Cut(s, " ")
	if !ok {
		return quantity.Value{}, quantity.Unit{}, fmt.Errorf("quantity %q has no unit", s)
	}
	f, err := strconv.ParseFloat(num, 64)
	if err != nil {
		return quantity.Value{}, quantity.Unit{}, fmt.Errorf("quantity %q has no number", s)
	}
	for _, u := range quantity.Units() {
		if u.Symbol() == unit || u.Code() == unit {
			return quantity.Of(f, u), u, nil
		}
	}
	return quantity.Value{}, quantity.Unit{}, fmt.Errorf("quantity %q has no known unit", s)
}
