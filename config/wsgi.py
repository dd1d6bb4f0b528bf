"""The web server's entry point, read in each of its worker processes."""

import os

from django.core.wsgi import get_wsgi_application

from exposure.management.supervise import end_with_web_server

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
end_with_web_server()
application = get_wsgi_application()
