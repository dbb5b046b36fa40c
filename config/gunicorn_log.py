"""What gunicorn says of itself, in the same lines as everything else."""

from gunicorn.config import Config
from gunicorn.glogging import Logger

from config.logs import serve_to_stdout, stream_of_lines


class Log(Logger):
    """Starts, stops and failures of workers; one line for each request comes from config.logs."""

    def setup(self, cfg: Config) -> None:
        super().setup(cfg)
        # This process may never load Django's settings: in production only the workers do.
        serve_to_stdout()
        self.error_log.handlers = [stream_of_lines()]
