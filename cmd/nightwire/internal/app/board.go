package app

import (
	"context"
	"time"

	"nightwire/alerts/notify/mqttstate"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/farm"
	"nightwire/ingest/mqtt"
	"nightwire/ingest/pulse"
)

// board is the farm's state on an MQTT topic. A nil one does nothing.
type board struct {
	topic  mqttstate.Config
	state  *mqttstate.State
	wake   chan struct{} // holds one
	forget chan struct{} // holds one
}

// boardEvery is how often the newest readings are put on the board when no alarm changes.
const boardEvery = 15 * time.Second

func (b *board) changed() {
	if b != nil {
		poke(b.wake)
	}
}

// connected is told that the broker may have forgotten, or published our last will.
func (b *board) connected() {
	if b != nil {
		poke(b.forget)
	}
}

// poke puts word into a channel that holds one.
func poke(ch chan struct{}) {
	select {
	case ch <- struct{}{}:
	default:
	}
}

// newBoard makes the board, if the farm file asks for one.
func newBoard(cfg *config.Config) *board {
	if cfg.Channels.State == nil {
		return nil
	}
	to := mqttstate.Config{Topic: cfg.Channels.State.Topic, Discovery: cfg.Channels.State.Discovery}
	return &board{topic: to, wake: make(chan struct{}, 1), forget: make(chan struct{}, 1)}
}

// will returns the last will of the board's connection.
func (b *board) will() *mqtt.Will {
	if b == nil {
		return nil
	}
	return &mqtt.Will{Topic: b.topic.OnlineTopic(), Payload: mqttstate.Offline}
}

// openBoard starts to keep the board.
func (n *night) openBoard(ctx context.Context, s *stack) (err error) {
	if n.board == nil {
		return nil
	}
	if n.board.state, err = mqttstate.New(n.board.topic, n.feed.client); err != nil {
		return err
	}
	s.start(ctx, "state topic", n.keepBoard)
	return nil
}

func (n *night) keepBoard(ctx context.Context) error {
	tick := time.NewTicker(boardEvery)
	defer tick.Stop()
	failing := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-n.board.forget:
			n.board.state.Forget()
		case <-n.board.wake:
		case <-tick.C:
		}
		err := n.board.state.Update(ctx, n.snapshot())
		if err != nil && !failing && ctx.Err() == nil {
			n.log.Warn("state not published, trying again", "err", err)
		}
		failing = err != nil
	}
}

// snapshot returns the farm as it is now.
func (n *night) snapshot() mqttstate.Snapshot {
	n.mu.Lock()
	defer n.mu.Unlock()
	book := n.engine.desk.Book()
	out := mqttstate.Snapshot{Farm: n.cfg.Farm.Name, Points: book.Points()}
	held := map[farm.Source]bool{}
	for _, h := range book.Holds() {
		held[h.Source] = true
	}
	place := func(s farm.Source, minimum float64) {
		p := mqttstate.Place{Source: string(s), OutOfService: held[s]}
		if minimum > 0 {
			kv := minimum / 1000
			p.MinimumKV = &kv
		}
		if r, ok := n.newest(s); ok {
			p.KV, p.Heard = get(&r, pulse.Volts, 1000), r.At
		}
		out.Places = append(out.Places, p)
	}
	for i := range n.cfg.Farm.Energizers {
		place(n.cfg.Farm.Energizers[i].Source(), 0)
	}
	for i := range n.cfg.Farm.Zones {
		place(n.cfg.Farm.Zones[i].Source(), n.cfg.Farm.Zones[i].MinimumVolts)
	}
	return out
}
