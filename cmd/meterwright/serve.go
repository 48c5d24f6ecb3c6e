package main

import "meterwright/internal/serve"

type serveCommand struct {
	Data   string   `help:"The folder of the store and of the devices' keys; made if it is missing." default:"meterwright-data" placeholder:"DIR"`
	Listen string   `help:"The address to listen on. Only this machine is served until sign-in exists: any other address is refused." default:"127.0.0.1:8080" placeholder:"ADDR"`
	Demo   bool     `help:"Load an invented day once: a dozen jobs, people, instruments in and out of calibration, visits in every state. Everything in it is practice."`
	Person []string `help:"Somebody who works with this machine, as ID=NAME; may be given several times." placeholder:"ID=NAME"`
	asJSON
}

func (c *serveCommand) Run(s *streams) error {
	if err := serve.CheckAddress(c.Listen); err != nil {
		return err
	}
	if err := serve.Run(s.ctx, serve.Config{Data: c.Data, Listen: c.Listen, Demo: c.Demo, People: c.Person, Out: s.out, JSON: s.json}); err != nil {
		return unread(err)
	}
	return nil
}
