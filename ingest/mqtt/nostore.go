package mqtt

import (
	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// noStore keeps nothing. What came in stays with the broker until it is acknowledged, what goes out is the caller's to
// repeat, and the library's own store would cost a formatted key and a lock for each message.
type noStore struct{}

var _ paho.Store = noStore{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}
