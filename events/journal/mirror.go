package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// A hub keeps a copy of each shop's journal: a mirror, so that entries have the
// same sequences there, and nobody can write. The shop's server is a leaf node
// of the hub's, and lets it ask for the entries of that one stream and nothing
// else:
//
//	hub asks                           shop's server has
//	chain.SHOP.api.CONSUMER.CREATE.…   $JS.API.CONSUMER.CREATE.wm-SHOP, and DELETE
//	chain.SHOP.api.STREAM.INFO.…       $JS.API.STREAM.INFO.wm-SHOP
//	$JS.FC.wm-SHOP.>                   the same, for flow control
//	chain.SHOP.d.>   <-- entries --

// ChainAsks lists what the hub may ask of the server of a shop: by the subject
// under which it asks, the subject that it is.
func ChainAsks(shop string) map[string]string {
	stream := naming{shop}.stream()
	asks := map[string]string{"$JS.FC." + stream + ".>": "$JS.FC." + stream + ".>"}
	for _, s := range []string{".CONSUMER.CREATE." + stream, ".CONSUMER.CREATE." + stream + ".>", ".CONSUMER.DELETE." + stream + ".>", ".STREAM.INFO." + stream} {
		asks[chainAPI(shop)+s] = "$JS.API" + s
	}
	return asks
}

// ChainGets is the subject on which the hub gets a shop's entries.
func ChainGets(shop string) string { return "chain." + shop + ".d.>" }

func chainAPI(shop string) string { return "chain." + shop + ".api" }

// Mirror makes the hub that nc leads to keep a copy of a shop's journal from
// now on, its beginning too. It changes nothing if the hub does.
func Mirror(ctx context.Context, nc *nats.Conn, shop string, maxBytes int64) error {
	if !shopID.MatchString(shop) {
		return fmt.Errorf("copy journal: shop id %q: want lower-case letters, digits and '-'", shop)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	own, err := shopStream(ctx, nc, shop)
	if err != nil {
		return err
	}
	name := naming{shop}.stream()
	if there, err := js.Stream(ctx, name); err == nil {
		if id := there.CachedInfo().Config.Metadata[metaID]; id != own[metaID] {
			return fmt.Errorf("copy journal of shop %q: the hub has a copy of another journal of that name; keep it elsewhere and remove it there first", shop)
		}
		return nil
	} else if !errors.Is(err, jetstream.ErrStreamNotFound) {
		return err
	}
	_, err = js.CreateStream(ctx, jetstream.StreamConfig{
		Name: name, Description: "Copy of the Witnessmark journal of shop " + shop, Storage: jetstream.FileStorage,
		MaxBytes: maxBytes, Discard: jetstream.DiscardNew, DenyDelete: true, DenyPurge: true, AllowDirect: true,
		Mirror: &jetstream.StreamSource{Name: name, External: &jetstream.ExternalStream{
			APIPrefix: chainAPI(shop), DeliverPrefix: strings.TrimSuffix(ChainGets(shop), ".>"),
		}},
		Metadata: map[string]string{metaID: own[metaID], "shop": shop},
	})
	if err != nil {
		return fmt.Errorf("copy journal of shop %q: %w", shop, err)
	}
	return nil
}

// shopStream asks a shop's server for the metadata of its journal.
func shopStream(ctx context.Context, nc *nats.Conn, shop string) (map[string]string, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	m, err := nc.RequestWithContext(ctx, chainAPI(shop)+".STREAM.INFO."+naming{shop}.stream(), nil)
	if err != nil {
		return nil, fmt.Errorf("ask shop %q for its journal: %w; is its store running, with --hub and --of %s?", shop, err, shop)
	}
	var answer struct {
		Config struct {
			Metadata map[string]string `json:"metadata"`
		} `json:"config"`
		Error *jetstream.APIError `json:"error"`
	}
	if err := json.Unmarshal(m.Data, &answer); err != nil {
		return nil, fmt.Errorf("ask shop %q for its journal: %w", shop, err)
	}
	if answer.Error != nil || answer.Config.Metadata[metaID] == "" {
		return nil, fmt.Errorf("shop %q has no journal at its store yet; start its service once", shop)
	}
	return answer.Config.Metadata, nil
}

// CopyState is how the copy of a shop's journal stands at a hub.
type CopyState struct {
	Shop    string
	Entries uint64        // that are there
	Lag     uint64        // how many the shop has beyond them, as last heard
	Heard   time.Duration // ago; negative: never since the hub was started
}

// Copies lists the copies that the hub keeps, by shop.
func Copies(ctx context.Context, nc *nats.Conn) ([]CopyState, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, err
	}
	var all []CopyState
	list := js.ListStreams(ctx)
	for s := range list.Info() {
		if s.Config.Mirror == nil || s.Mirror == nil || s.Config.Metadata["shop"] == "" {
			continue
		}
		all = append(all, CopyState{Shop: s.Config.Metadata["shop"], Entries: s.State.LastSeq, Lag: s.Mirror.Lag, Heard: s.Mirror.Active})
	}
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("list the journals at the hub: %w", err)
	}
	slices.SortFunc(all, func(a, b CopyState) int { return strings.Compare(a.Shop, b.Shop) })
	return all, nil
}
