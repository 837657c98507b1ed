package dashboards

import (
	"math"
	"regexp"
	"strconv"
	"testing"
)

// luminance of "#rrggbb", as WCAG 2.1 defines relative luminance.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil || len(hex) != 7 {
		t.Fatalf("colour %q", hex)
	}
	channel := func(shift uint) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*channel(16) + 0.7152*channel(8) + 0.0722*channel(0)
}

// Every pair of text and ground on the pages has a contrast of at least 4.5
// to 1 (WCAG 2.1, success criterion 1.4.3). Black on white is 21, from there.
func TestContrast(t *testing.T) {
	css, err := assetFiles.ReadFile("assets/style.css")
	if err != nil {
		t.Fatal(err)
	}
	colour := map[string]string{"white": "#ffffff"}
	for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6});`).FindAllStringSubmatch(string(css), -1) {
		colour[m[1]] = m[2]
	}
	ratio := func(a, b string) float64 {
		x, y := luminance(t, a), luminance(t, b)
		return (max(x, y) + 0.05) / (min(x, y) + 0.05)
	}
	if r := ratio("#000000", "#ffffff"); math.Abs(r-21) > 1e-9 {
		t.Fatalf("black on white: %v, want 21", r)
	}
	for _, p := range [][2]string{
		{"ink", "paper"}, {"ink", "card"}, {"soft", "paper"}, {"soft", "card"}, {"white", "ink"}, {"white", "red"}, {"ink", "yellow"}, {"white", "blue"},
		{"blue", "paper"}, {"blue", "card"}, {"red", "card"}, {"ink", "red-paper"}, {"ink", "yellow-paper"}, {"ink", "blue-paper"}, {"ink", "green-paper"},
		{"soft", "red-paper"}, {"soft", "yellow-paper"}, {"soft", "blue-paper"}, {"soft", "green-paper"},
		{"ink", "metal"}, {"green", "head"}, {"red", "head"}, {"green", "metal"}, {"red", "metal"},
	} {
		if r := ratio(colour[p[0]], colour[p[1]]); r < 4.5 {
			t.Errorf("%s on %s: contrast %.2f, want 4.5", p[0], p[1], r)
		}
	}
}
