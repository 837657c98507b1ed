package main

import "github.com/spf13/cobra"

func newBench() *cobra.Command { return &cobra.Command{Use: "bench"} }
