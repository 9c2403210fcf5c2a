package app

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/notify"
	"nightwire/alerts/notify/mail"
	"nightwire/alerts/notify/push"
	"nightwire/alerts/notify/webhook"
	"nightwire/cmd/nightwire/internal/config"
)

// newChannels makes the channels of the farm file, by the names that routes use.
func newChannels(cfg *config.Config) (map[string]notify.Channel, error) {
	out := map[string]notify.Channel{}
	if c := cfg.Channels.Mail; c != nil {
		m, err := mail.New(mail.Config{Host: c.Host, Port: c.Port, Security: mail.Security(c.Security), User: c.User,
			Password: c.Password.Reveal(), From: c.From})
		if err != nil {
			return nil, fmt.Errorf("set up mail: %w", err)
		}
		out["mail"] = m
	}
	if c := cfg.Channels.Push; c != nil {
		p, err := push.New(push.Config{Server: c.Server, Token: c.Token.Reveal()})
		if err != nil {
			return nil, fmt.Errorf("set up push: %w", err)
		}
		out["push"] = p
	}
	if c := cfg.Channels.Webhook; c != nil {
		w, err := webhook.New(webhook.Config{Secret: c.Secret.Reveal()})
		if err != nil {
			return nil, fmt.Errorf("set up webhook: %w", err)
		}
		out["webhook"] = w
	}
	return out, nil
}

// openSender makes what carries messages to people.
func (n *night) openSender(ctx context.Context, s *stack) error {
	if err := n.openKey(s); err != nil {
		return err
	}
	channels, err := newChannels(n.cfg)
	if err != nil {
		return err
	}
	n.channels = slices.Sorted(maps.Keys(channels))
	n.sender, err = notify.NewSender(notify.SenderOptions{
		Outbox: n.journal, Channels: channels, Signer: n.signer, PageURL: n.cfg.Page.URL, Trouble: n.channelTrouble,
		Metrics: notify.NewMetrics(n.reg), Log: n.component("notify"), Now: n.now,
	})
	if err != nil {
		return err
	}
	s.start(ctx, "notify", n.sender.Run)
	return nil
}

// channelTrouble is told when a channel has failed for long, and when it works again.
func (n *night) channelTrouble(channel string, since time.Time, err error) {
	if err == nil {
		n.troubles.set(troubleChannel+channel, nil)
		n.log.Info("channel works again", "channel", channel)
		return
	}
	text := channel + " has not worked since " + since.In(n.cfg.Farm.Location).Format("Monday 15:04")
	n.troubles.set(troubleChannel+channel, &channelError{since, text, err})
	n.log.Error("channel does not work", "channel", channel, "since", since, "err", err)
}

// SendTest sends a test message to one person, or to everybody when name is empty, by their real routes.
func SendTest(ctx context.Context, cfg *config.Config, name string, now time.Time) ([]notify.Tried, error) {
	messages, err := notify.TestMessages(notifyConfig(cfg), notify.Test{Person: name}, now)
	if err != nil {
		return nil, err
	}
	channels, err := newChannels(cfg)
	if err != nil {
		return nil, err
	}
	sender, err := notify.NewSender(notify.SenderOptions{Outbox: noOutbox{}, Channels: channels})
	if err != nil {
		return nil, err
	}
	return sender.SendNow(ctx, messages), nil
}

// noOutbox is for messages that are sent at once.
type noOutbox struct{}

var _ notify.Outbox = noOutbox{}

func (noOutbox) Pending() []alerts.Message                        { return nil }
func (noOutbox) Settle(context.Context, ...alerts.Delivery) error { return nil }
