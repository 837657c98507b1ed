package dashboards

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// kitProcedure is short: a kit with a pair that must match, and a press step.
const kitProcedure = `# Invented: for tests only.
procedure: KIT
revision: A
title: Hub with sleeve
unit: Test hub
mates:
  - {id: sleeve-hub, match: sleeve.tooth == hub.tooth, why: A coarse sleeve jumps out of gear on a fine hub.}
steps:
  - id: kit
    title: Parts kit
    kind: parts
    text: [Lay the kit out.]
    parts:
      - {id: ring, number: TX-118, name: snap ring, count: 3, lot: "[A-Z]{2}[0-9]{4}"}
      - {id: sleeve, number: TX-204, name: sleeve, condition: either, serial: any, attributes: {tooth: [fine, coarse]}}
      - {id: hub, number: TX-205, name: hub, condition: re-used, attributes: {tooth: [fine, coarse]}}
  - id: pins
    title: Sleeve onto hub
    kind: press
    cautions: The press throws parts. Close the guard.
    places: [{id: H, title: sleeve onto hub, mates: [sleeve-hub]}]
    limits: {low: 2 kN, high: 12 kN}
    seat: {jump: 1.5 kN}
    recheck: {ask: "Does it turn by hand?"}
`

// kitRig is a rig with a press gauge and an open job on the kit procedure.
func kitRig(t *testing.T) *rig {
	return kitRigWith(t, func(r *rig, c *Config) { c.Photos = r.journal })
}

func kitRigWith(t *testing.T, with func(*rig, *Config)) *rig {
	r := newRig(t, with)
	shop := testShop()
	kn := func(v float64) quantity.Value { return quantity.Of(v, quantity.Kilonewton) }
	shop.Tools = append(shop.Tools, events.Tool{ID: "f2-01", Name: "Skerry F2 no. 1", Kind: events.ToolPressGauge, Serial: "F2-1", Least: kn(0), Most: kn(50), URel: 0.01, Calibrated: "2026-06-15", Due: "2027-06-15"})
	r.ask(events.ShopDescribed{Shop: shop, Hash: "two"})
	r.release(kitProcedure)
	r.ask(events.JobAsked{Ask: r.by("ines"), Job: "K1", UnitSerial: "U-1", Procedure: "KIT"})
	if status, body := r.post("/who", url.Values{"bench": {"axle"}, "person": {"ines"}}); status != http.StatusOK {
		t.Fatal(status, body)
	}
	return r
}

func somePicture(t *testing.T, w, h int, format string) []byte {
	t.Helper()
	m := image.NewGray(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = byte(i * 7)
	}
	m.Set(1, 1, color.White)
	var b bytes.Buffer
	var err error
	if format == "png" {
		err = png.Encode(&b, m)
	} else {
		err = jpeg.Encode(&b, m, nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// upload sends a photo as the bench page does.
func (r *rig) upload(job, step string, file []byte) (status int, answer pageProblem, body string) {
	r.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, f := range [][2]string{{"bench", "axle"}, {"job", job}, {"step", step}, {"note", "the mark"}} {
		_ = w.WriteField(f[0], f[1])
	}
	part, err := w.CreateFormFile("photo", "IMG_0001.jpg")
	if err != nil {
		r.t.Fatal(err)
	}
	_, _ = part.Write(file)
	w.Close()
	q, err := http.NewRequest("POST", r.server.URL+"/photo", &b)
	if err != nil {
		r.t.Fatal(err)
	}
	q.Header.Set("Content-Type", w.FormDataContentType())
	q.Header.Set("Accept", "application/json")
	resp, err := r.client.Do(q)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(resp.Body)
	_ = json.Unmarshal(text, &answer)
	return resp.StatusCode, answer, string(text)
}

// page returns a page that must be there.
func (r *rig) page(path string) string {
	r.t.Helper()
	r.settled()
	status, body := r.get(path)
	if status != http.StatusOK {
		r.t.Fatalf("%s: %d %s", path, status, body)
	}
	return body
}

// do asks as a page's script does.
func (r *rig) do(what string, f url.Values) (status int, answer pageProblem) {
	r.t.Helper()
	q, err := http.NewRequest("POST", r.server.URL+"/do/"+what, strings.NewReader(f.Encode()))
	if err != nil {
		r.t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	q.Header.Set("Accept", "application/json")
	resp, err := r.client.Do(q)
	if err != nil {
		r.t.Fatal(err)
	}
	status, body := read(r.t, resp)
	_ = json.Unmarshal([]byte(body), &answer)
	return status, answer
}

// A photo is kept, shown with headers that make it a picture and nothing else,
// and named with its hash in the record.
func TestPhotoFromPageToRecord(t *testing.T) {
	r := kitRig(t)
	pic := somePicture(t, 640, 480, "jpeg")
	status, _, body := r.upload("K1", "kit", pic)
	var got struct{ SHA256, Photo string }
	if err := json.Unmarshal([]byte(body), &got); err != nil || status != http.StatusOK || len(got.SHA256) != 64 {
		t.Fatalf("%d %s, %v", status, body, err)
	}
	resp, err := r.client.Get(r.server.URL + "/photos/" + got.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	back, _ := io.ReadAll(resp.Body)
	if !bytes.Equal(back, pic) {
		t.Errorf("%d bytes came back of %d", len(back), len(pic))
	}
	for h, want := range map[string]string{"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff", "Content-Security-Policy": "default-src 'none'; sandbox"} {
		if resp.Header.Get(h) != want {
			t.Errorf("%s is %q, want %q", h, resp.Header.Get(h), want)
		}
	}
	if page := r.page("/jobs/K1"); !strings.Contains(page, "SHA-256 "+got.SHA256) || !strings.Contains(page, got.Photo) {
		t.Error("the job page does not show the photo with its hash")
	}
	if page := r.page("/bench/axle"); !strings.Contains(page, "/photos/"+got.SHA256) {
		t.Error("the bench page does not show the photo")
	}
}

// What is no photo is refused with a clear word, and nothing is kept.
func TestPhotosRefused(t *testing.T) {
	r := kitRig(t)
	whole := somePicture(t, 64, 64, "png")
	big := append(somePicture(t, 64, 64, "jpeg"), make([]byte, 50<<20)...)
	// A small file that would fill the memory: its head says 60,000 by 60,000.
	bomb := bytes.Clone(whole)
	copy(bomb[16:], []byte{0, 0, 0xEA, 0x60, 0, 0, 0xEA, 0x60})
	for _, c := range []struct {
		name, job, step string
		file            []byte
		status          int
		word            string
	}{
		{"text", "K1", "kit", []byte("GIF? no, only words about one"), 415, "no photo"},
		{"page", "K1", "kit", []byte("<html><script>alert(1)</script>"), 415, "text/html"},
		{"HEIC", "K1", "kit", append([]byte{0, 0, 0, 24}, []byte("ftypheic and more bytes")...), 415, "HEIC"},
		{"50 MB", "K1", "kit", big, 413, "larger than 16 MB"},
		{"cut", "K1", "kit", whole[:len(whole)/2], 415, "damaged"},
		{"bomb", "K1", "kit", bomb, 415, ""},
		{"empty", "K1", "kit", nil, 400, "No photo"},
		{"no job", "K9", "kit", whole, 409, "no open job"},
		{"no step", "K1", "nowhere", whole, 409, "no step"},
	} {
		status, e, body := r.upload(c.job, c.step, c.file)
		if c.name == "bomb" && status == 413 {
			status = 415 // either word will do
		}
		if status != c.status || !strings.Contains(e.Text, c.word) || e.Todo == "" {
			t.Errorf("%s: %d %s, want %d and %q with what to do", c.name, status, body, c.status, c.word)
		}
	}
	if kept, err := r.ledger.PhotosOf(t.Context(), "K1"); err != nil || len(kept) != 0 {
		t.Errorf("%d photos were kept, %v", len(kept), err)
	}
	for _, path := range []string{"/photos/abc", "/photos/" + strings.Repeat("a", 64)} {
		resp, err := r.client.Get(r.server.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		if status, _ := read(t, resp); status != http.StatusNotFound {
			t.Errorf("%s: %d, want not found", path, status)
		}
	}
}

// No record can name a photo that was never sent: the plain way of asking does
// not take one.
func TestPhotoNeedsItsFile(t *testing.T) {
	r := kitRig(t)
	resp, err := r.client.Post(r.server.URL+"/api/asks/photo.taken", "application/json", strings.NewReader(`{"by":"ines","job":"K1","hash":"`+strings.Repeat("a", 64)+`","size":1,"type":"image/png"}`))
	if err != nil {
		t.Fatal(err)
	}
	if status, body := read(t, resp); status < 400 || !strings.Contains(body, "/photo") {
		t.Errorf("%d %s, want it refused", status, body)
	}
}

// lossy is a store that has lost or altered what it kept.
type lossy struct {
	*journal.Journal
	err error
}

func (l *lossy) Photo(ctx context.Context, hash string) ([]byte, error) {
	if l.err != nil {
		return nil, fmt.Errorf("read photo: %w", l.err)
	}
	return l.Journal.Photo(ctx, hash)
}

// A photo that is missing or altered is said to be so, and is not shown.
func TestPhotoLost(t *testing.T) {
	store := &lossy{}
	r := kitRigWith(t, func(r *rig, c *Config) { store.Journal = r.journal; c.Photos = store })
	_, _, body := r.upload("K1", "kit", somePicture(t, 32, 32, "png"))
	var got struct{ SHA256 string }
	if err := json.Unmarshal([]byte(body), &got); err != nil {
		t.Fatal(err)
	}
	for want, err := range map[string]error{"is missing": journal.ErrPhotoMissing, "altered or damaged": journal.ErrPhotoAltered, "cannot be read": errors.New("disk on fire")} {
		store.err = err
		resp, err := r.client.Get(r.server.URL + "/photos/" + got.SHA256)
		if err != nil {
			t.Fatal(err)
		}
		page, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode < 400 || !strings.Contains(string(page), want) || strings.HasPrefix(resp.Header.Get("Content-Type"), "image/") {
			t.Errorf("%d %s, want a page that says %q", resp.StatusCode, resp.Header.Get("Content-Type"), want)
		}
	}
}

// A kit, a pair and a pressing are done from the page's forms alone.
func TestKitAndPressFromThePage(t *testing.T) {
	r := kitRig(t)
	post := func(what string, f url.Values, code string) {
		t.Helper()
		f.Set("bench", "axle")
		f.Set("job", "K1")
		status, e := r.do(what, f)
		if (status == http.StatusOK) != (code == "") || e.Code != code {
			t.Fatalf("%s %v: %d %+v, want %q", what, f, status, e, code)
		}
	}
	shows := func(words ...string) {
		t.Helper()
		page := r.page("/bench/axle")
		for _, w := range words {
			if !strings.Contains(page, w) {
				t.Fatalf("the bench page does not show %q", w)
			}
		}
	}
	shows("Scan a part number", "snap ring", "new: the old one must be replaced", `data-state="open"`)
	post("scan", url.Values{"step": {"kit"}, "text": {"QQ-1"}}, "unknown_part")
	post("scan", url.Values{"step": {"kit"}, "text": {"TX-118"}}, "")
	shows("Scan the lot of snap ring", `data-state="picked"`)
	post("scan", url.Values{"step": {"kit"}, "text": {"AB1234"}}, "")
	shows("How many")
	post("part", url.Values{"step": {"kit"}, "part": {"ring"}, "count": {"3"}}, "")
	post("scan", url.Values{"step": {"kit"}, "text": {"TX-204 00417"}}, "")
	post("part", url.Values{"step": {"kit"}, "part": {"sleeve"}, "condition": {"new"}}, "")
	post("part", url.Values{"step": {"kit"}, "part": {"sleeve"}, "attribute": {"tooth=fine"}}, "")
	if form := r.page("/bench/axle/ask/part?step=kit&part=hub&fragment=1"); !strings.Contains(form, `value="tooth=coarse"`) {
		t.Fatal(form)
	}
	post("part", url.Values{"step": {"kit"}, "part": {"hub"}, "attribute.0": {"tooth=coarse"}}, "wrong_pair")
	post("part", url.Values{"step": {"kit"}, "part": {"hub"}, "attribute.0": {"tooth=fine"}}, "")
	shows("Check the pair", "tooth of sleeve must equal tooth of hub")
	if form := r.page("/bench/axle/ask/mates?step=pins&place=H&fragment=1"); !strings.Contains(form, `name="trace.sleeve"`) || !strings.Contains(form, "Close the guard") {
		t.Fatal(form)
	}
	hands := url.Values{"step": {"pins"}, "place": {"H"}, "hand": {"sleeve", "hub"}, "trace.sleeve": {"00417"}, "attribute.sleeve.tooth": {"tooth=fine"}, "attribute.hub.tooth": {"tooth=fine"}}
	post("mates", hands, "")
	r.read("f2-01", "9.0", quantity.Kilonewton)
	shows("Does it sit home, all round? Does it turn by hand?", "to be re-checked", `id="last" data-verdict="within"`)
	post("recheck", url.Values{"step": {"pins"}, "place": {"H"}, "good": {"yes"}, "answer": {"turns"}}, "")
	done := false
	r.service.View(func(st *rules.State) { done = st.Jobs["K1"].Steps[0].Done && st.Jobs["K1"].Steps[1].Done })
	if !done {
		t.Error("the steps are not done")
	}
	job := r.page("/jobs/K1")
	for _, w := range []string{"serial <b>00417</b>", "tooth fine", "Pair checked by", "Re-check good", "AB1234"} {
		if !strings.Contains(job, w) {
			t.Errorf("the job page does not show %q", w)
		}
	}
	if form := r.page("/bench/axle/ask/undo?step=kit&fragment=1"); !strings.Contains(form, "snap ring") {
		t.Error(form)
	}
}
