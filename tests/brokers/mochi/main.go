// A broker of MQTT 5 and 3.1.1 (the library mochi-mqtt) for the tests: listens where its only argument, a JSON text,
// says, and lets in whoever can connect.
package main

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"log"
	"os"
	"os/signal"
	"syscall"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
)

type wanted struct {
	Tcp, Tls, Ws, Wss              string // HOST:PORT, or empty
	Authority, Certificate, Key    string // files (PEM)
	MaximumPacketBytes             uint32
	ReceiveMaximum                 uint16
	MaximumPendingMessagesOfClient int32
}

func main() {
	var want wanted
	if err := json.Unmarshal([]byte(os.Args[1]), &want); err != nil {
		log.Fatal(err)
	}
	capabilities := mqtt.NewDefaultServerCapabilities()
	capabilities.MaximumPacketSize = want.MaximumPacketBytes
	if want.ReceiveMaximum > 0 {
		capabilities.ReceiveMaximum = want.ReceiveMaximum
	}
	if want.MaximumPendingMessagesOfClient > 0 {
		capabilities.MaximumClientWritesPending = want.MaximumPendingMessagesOfClient
	}
	server := mqtt.New(&mqtt.Options{Capabilities: capabilities})
	if err := server.AddHook(new(auth.AllowHook), nil); err != nil {
		log.Fatal(err)
	}
	var secure *tls.Config
	if want.Certificate != "" {
		own, err := tls.LoadX509KeyPair(want.Certificate, want.Key)
		if err != nil {
			log.Fatal(err)
		}
		text, err := os.ReadFile(want.Authority)
		if err != nil {
			log.Fatal(err)
		}
		authority := x509.NewCertPool()
		authority.AppendCertsFromPEM(text)
		secure = &tls.Config{
			Certificates: []tls.Certificate{own},
			ClientAuth:   tls.RequireAndVerifyClientCert,
			ClientCAs:    authority,
		}
	}
	for _, one := range []struct {
		kind, address string
		secure        *tls.Config
	}{{"tcp", want.Tcp, nil}, {"tcp", want.Tls, secure}, {"ws", want.Ws, nil}, {"ws", want.Wss, secure}} {
		if one.address == "" {
			continue
		}
		config := listeners.Config{Type: one.kind, ID: one.address, Address: one.address, TLSConfig: one.secure}
		var listener listeners.Listener = listeners.NewTCP(config)
		if one.kind == "ws" {
			listener = listeners.NewWebsocket(config)
		}
		if err := server.AddListener(listener); err != nil {
			log.Fatal(err)
		}
	}
	if err := server.Serve(); err != nil {
		log.Fatal(err)
	}
	ended := make(chan os.Signal, 1)
	signal.Notify(ended, syscall.SIGTERM, syscall.SIGINT)
	<-ended
	server.Close()
}
