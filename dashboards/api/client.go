package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"syscall"

	"witnessmark/events"
)

// Client asks a running service for things.
type Client struct {
	Server string       // "http://127.0.0.1:8470"
	HTTP   *http.Client // nil: http.DefaultClient
}

// Ask posts a request and returns what became of it. A refusal by the rules
// is an Answer with Refused set, not an error.
func (c Client) Ask(ctx context.Context, d events.Asker) (Answer, error) {
	name, _ := d.EventType()
	body, err := json.Marshal(d)
	if err != nil {
		return Answer{}, fmt.Errorf("write request %s: %w", name, err)
	}
	url := strings.TrimSuffix(c.Server, "/") + "/api/asks/" + name
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, url, bytes.NewReader(body))
	if err != nil {
		return Answer{}, fmt.Errorf("ask %s: %w", c.Server, err)
	}
	req.Header.Set("Content-Type", "application/json")
	hc := c.HTTP
	if hc == nil {
		hc = http.DefaultClient
	}
	resp, err := hc.Do(req)
	if err != nil {
		if errors.Is(err, syscall.ECONNREFUSED) {
			return Answer{}, fmt.Errorf("no service at %s: start 'witnessmark serve', or name another with --server", c.Server)
		}
		return Answer{}, fmt.Errorf("ask %s: %w", c.Server, err)
	}
	defer resp.Body.Close()
	return readAnswer(resp)
}

func readAnswer(resp *http.Response) (Answer, error) {
	b, err := io.ReadAll(io.LimitReader(resp.Body, 16<<20))
	if err != nil {
		return Answer{}, fmt.Errorf("read answer: %w", err)
	}
	var a Answer
	if resp.StatusCode == http.StatusOK || resp.StatusCode == http.StatusConflict {
		if err := json.Unmarshal(b, &a); err != nil {
			return Answer{}, fmt.Errorf("read answer: %w", err)
		}
		return a, nil
	}
	var p Problem
	if err := json.Unmarshal(b, &p); err != nil || p.Error == "" {
		return Answer{}, fmt.Errorf("service answered %s", resp.Status)
	}
	return Answer{}, errors.New(p.Error)
}
