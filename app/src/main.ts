import { mount } from "svelte";
import App from "./App.svelte";
import "./look/index.css";

mount(App, { target: document.getElementById("app")! });
