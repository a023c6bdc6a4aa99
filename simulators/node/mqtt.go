package node

import (
	"context"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// MQTTConfig says where a node publishes and as whom.
type MQTTConfig struct {
	// Broker is a URL, for example tcp://127.0.0.1:1883.
	Broker string
	// Shed, Engine and Node are the ids in the topics.
	Shed, Engine, Node string
	// User and Password are empty where the broker asks for none.
	User, Password string
	// Now is the clock written into the node's own message.
	Now func() time.Time
}

// MQTT is a [Carrier] over MQTT 3.1.1, QoS 1. A pack that the break of a
// connection left without an acknowledgement is sent again over the next. It is
// not safe for concurrent use.
//
// Each connection is a client of its own with a clean session: the library's own
// resumption writes to packets that it may be sending at that moment, and gives a
// resumed packet another token than the one that is waited for.
type MQTT struct {
	config MQTTConfig
	client mqtt.Client
}

// DialMQTT connects, says that the node is up (retained) and leaves its last
// will. It tries until ctx ends.
func DialMQTT(ctx context.Context, c MQTTConfig) (*MQTT, error) {
	m := &MQTT{config: c}
	return m, m.dial(ctx)
}

func (m *MQTT) here() string {
	return "sheds/" + m.config.Shed + "/nodes/" + m.config.Node + "/here"
}

func (m *MQTT) dial(ctx context.Context) error {
	c := m.config
	o := mqtt.NewClientOptions().AddBroker(c.Broker).SetClientID("node-"+c.Shed+"-"+c.Node).
		SetUsername(c.User).SetPassword(c.Password).
		SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).
		SetKeepAlive(10*time.Second).SetPingTimeout(5*time.Second).SetConnectTimeout(5*time.Second).
		SetBinaryWill(m.here(), []byte(`{"up":false}`), 1, true)
	for {
		client := mqtt.NewClient(o)
		err := wait(ctx, client.Connect())
		if err == nil {
			up := append([]byte(`{"up":true,"t":`), appendSeconds(nil, c.Now().UnixMicro())...)
			if err = wait(ctx, client.Publish(m.here(), 1, true, append(up, '}'))); err == nil {
				m.client = client
				return nil
			}
			client.Disconnect(0)
		}
		retry := time.NewTimer(100 * time.Millisecond)
		select {
		case <-ctx.Done():
			retry.Stop()
			return fmt.Errorf("node %s cannot reach the broker at %s: %w; is it running?", c.Node, c.Broker, err)
		case <-retry.C:
		}
	}
}

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// publish sends until it is acknowledged, over as many connections as it takes.
func (m *MQTT) publish(ctx context.Context, topic string, retain bool, payload []byte) error {
	for {
		if m.client.IsConnectionOpen() {
			if wait(ctx, m.client.Publish(topic, 1, retain, payload)) == nil {
				return nil
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		m.client.Disconnect(0)
		if err := m.dial(ctx); err != nil {
			return err
		}
	}
}

// Carry publishes a pack and waits for its acknowledgement.
func (m *MQTT) Carry(ctx context.Context, p Pack) error {
	topic := "sheds/" + m.config.Shed + "/engines/" + m.config.Engine + "/samples"
	if p.Shed {
		topic = "sheds/" + m.config.Shed + "/samples"
	}
	// A fresh payload each time: the client keeps it until it is acknowledged.
	return m.publish(ctx, topic, false, AppendSenML(nil, p.Samples))
}

// Close says that the node goes and leaves the broker. Where the connection is
// already broken the last will has said so.
func (m *MQTT) Close(ctx context.Context) error {
	var err error
	if m.client.IsConnectionOpen() {
		err = wait(ctx, m.client.Publish(m.here(), 1, true, []byte(`{"up":false}`)))
	}
	m.client.Disconnect(250)
	return err
}
